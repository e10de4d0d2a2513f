"""Operators with many sites under contract, written set-based by a superuser: master data and the log of their months.

A site has twelve charges in the month on average. Of ten customers with ten sites each, seven pay for each unit by the
month (eleven units, and two wicks changed), two for each exchange (fourteen units), one a flat fee for the site (four
units). A tenth of the contracts have prices of their own, one unit in twenty came in the middle of the month, one wick
in five hundred was entered by mistake and undone, and one customer in fifty is billed to the one before.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any
from uuid import UUID

import psycopg

MONTH = date(2026, 10, 1)
CLOSED_AT = datetime(2026, 11, 3, 9, 0, tzinfo=UTC)
CHARGES_A_SITE = 12
SITES_A_CUSTOMER = 10
ZONE = "Europe/Berlin"

# Ids are made of what they name, so that every statement can tell them without looking them up.
_FUNCTIONS = """
CREATE FUNCTION pg_temp.made(kind int, n bigint) RETURNS uuid IMMUTABLE LANGUAGE sql
RETURN (left({o}::text, 19) || lpad(to_hex(kind), 4, '0') || '-' || lpad(to_hex(n), 12, '0'))::uuid
"""
_TABLES = """
CREATE TEMP TABLE bench_site ON COMMIT DROP AS
SELECT s, c, mode, CASE mode WHEN 'unit_month' THEN 11 WHEN 'unit_service' THEN 14 ELSE 4 END AS units
FROM (
    SELECT s, c, CASE WHEN c % 10 < 7 THEN 'unit_month' WHEN c % 10 < 9 THEN 'unit_service' ELSE 'flat_site' END AS mode
    FROM (SELECT s, (s - 1) / {per} AS c FROM generate_series(1, {sites}) s) x
) y;
CREATE TEMP TABLE bench_unit ON COMMIT DROP AS
SELECT row_number() OVER (ORDER BY s, n) AS u, s, n, mode FROM bench_site, generate_series(1, units) n;
ANALYZE bench_site; ANALYZE bench_unit
"""
_MASTER = """
INSERT INTO accounts_operator (id, slug, name, legal_name, currency, minor_units, zone, locale)
VALUES ({o}, 'month-' || {o}, 'Month', 'Month Fixture Care', 'EUR', 2, '{zone}', 'en-GB');
INSERT INTO accounts_customer (operator_id, id, code, name, billing_email, address, country)
SELECT {o}, pg_temp.made(1, c), 'C' || lpad(c::text, 6, '0'), 'Customer ' || c, '', '1 Quay', 'DE'
FROM bench_site GROUP BY c;
INSERT INTO accounts_site (operator_id, id, customer_id, code, name, kind, address, area, zone, hardness_mg_per_l, dust)
SELECT {o}, pg_temp.made(2, s), pg_temp.made(1, c), 'S' || lpad(s::text, 7, '0'), 'Site ' || s, 'office', '', '',
    '{zone}', 100, 'normal'
FROM bench_site;
INSERT INTO accounts_serviceagreement
    (operator_id, id, site_id, number, interval_months, grace_before_days, grace_after_days, anchor_on, starts_on)
SELECT {o}, pg_temp.made(3, s), pg_temp.made(2, s), 'A' || s, 1, 5, 3, date '2026-01-10', date '2026-01-01'
FROM bench_site;
INSERT INTO fleet_restroom (operator_id, id, site_id, name)
SELECT {o}, pg_temp.made(4, s), pg_temp.made(2, s), 'Ground floor' FROM bench_site;
INSERT INTO fleet_station (operator_id, id, restroom_id, name, fixture)
SELECT {o}, pg_temp.made(5, u), pg_temp.made(4, s), n, 'urinal' FROM bench_unit;
INSERT INTO fleet_unitmodel (operator_id, id, name, reservoir_ml) VALUES ({o}, pg_temp.made(6, 1), 'Wall unit', 40);
INSERT INTO fleet_unit (operator_id, id, code, unit_model_id, printed_at)
SELECT {o}, pg_temp.made(7, u), lpad(u::text, 9, '0'), pg_temp.made(6, 1), timestamptz '2026-08-01' FROM bench_unit;
INSERT INTO billing_legalentity
    (operator_id, id, code, legal_name, street, city, postcode, country, vat_id, registration, regime, tax_jurisdiction,
     tax_basis, currency, is_default)
VALUES ({o}, pg_temp.made(8, 1), 'MAIN', 'Month Fixture Care', '1 Lock', 'Harbourtown', '10000', 'DE', 'DE123456789',
    'HRB 1', '{regime}', 'DE', 'invoice', 'EUR', true);
INSERT INTO billing_taxrate (operator_id, id, jurisdiction, tax_class, category, rate, name, effective_from)
VALUES ({o}, pg_temp.made(9, 1), 'DE', 'standard', 'S', 19, 'VAT', date '2020-01-01');
INSERT INTO billing_billingprofile (operator_id, id, customer_id, bill_to_id, street, city, postcode)
SELECT {o}, pg_temp.made(10, c), pg_temp.made(1, c), CASE c % 50 WHEN 7 THEN pg_temp.made(1, c - 1) END, '1 Quay',
    'Harbourtown', '10001'
FROM bench_site GROUP BY c;
INSERT INTO billing_contract
    (operator_id, id, number, customer_id, starts_on, term_months, renewal_months, notice_days, end_rule)
SELECT {o}, pg_temp.made(11, c), 'K' || c, pg_temp.made(1, c), date '{month}', 36, 12, 90, 'period_end'
FROM bench_site GROUP BY c;
INSERT INTO billing_contractsite (operator_id, id, contract_id, site_id, starts_on)
SELECT {o}, pg_temp.made(12, s), pg_temp.made(11, c), pg_temp.made(2, s), date '{month}' FROM bench_site;
INSERT INTO billing_contractterms
    (operator_id, id, contract_id, effective_from, mode, cycle_months, in_advance, proration, base_units, inclusions,
     install_waived, claw_back_months, not_admitted, credits_missed, make_good_days, credit_as)
SELECT {o}, pg_temp.made(13, c), pg_temp.made(11, c), date '{month}', mode, 1, false, 'by_days', 0, '[]',
    false, 0, 'billable', false, 5, 'line'
FROM bench_site GROUP BY c, mode;
INSERT INTO billing_priceitem (operator_id, id, code, name, basis, fixture, event_type, tax_class, revenue_account)
SELECT {o}, pg_temp.made(14, n), code, code, basis, '', event_type, 'standard', ''
FROM (VALUES (1, 'month', 'unit_month', ''), (2, 'exchange', 'event', 'cartridge.exchanged'),
    (3, 'wick', 'event', 'wick.changed'), (4, 'site', 'site_month', '')) v (n, code, basis, event_type);
INSERT INTO billing_priceversion (operator_id, id, item_id, contract_id, amount, currency, effective_from)
SELECT {o}, pg_temp.made(15, n), pg_temp.made(14, n), NULL, amount, 'EUR', date '{month}'
FROM (VALUES (1, 30.0), (2, 9.5), (3, 12.5), (4, 88.0)) v (n, amount);
INSERT INTO billing_priceversion (operator_id, id, item_id, contract_id, amount, currency, effective_from)
SELECT {o}, pg_temp.made(16, c), pg_temp.made(14, n), pg_temp.made(11, c), amount, 'EUR', date '{month}'
FROM (SELECT DISTINCT c, mode FROM bench_site WHERE c % 11 = 3) c
JOIN (VALUES ('unit_month', 1, 28.47), ('unit_service', 2, 9.13), ('flat_site', 4, 83.0)) v (of_mode, n, amount)
    ON of_mode = mode;
INSERT INTO billing_numberseries (operator_id, id, code, next, legal_entity_id, kind)
VALUES ({o}, pg_temp.made(17, 1), 'INV', 1, NULL, 'invoice')
"""
# One device; what it sent in the order it happened. A unit in twenty comes in the month, before its exchange.
_LOG = """
INSERT INTO servicing_event (operator_id, event_id, device_id, device_sequence, subject_kind, subject_id, type,
    schema_version, occurred_at, received_at, actor_kind, actor_id, corrects, payload, content_hash)
SELECT {o}, event_id, pg_temp.made(20, 1), row_number() OVER (ORDER BY at, event_id), kind, subject_id, type,
    1, at, at + interval '2 hours', 'device', pg_temp.made(20, 1),
    corrects, payload, sha256(event_id::text::bytea)
FROM (
    SELECT pg_temp.made(21, u) AS event_id, 'unit' AS kind, pg_temp.made(7, u) AS subject_id,
        'unit.installed' AS type, NULL::uuid AS corrects,
        CASE WHEN u % 20 = 7 THEN timestamptz '{month} 10:00Z' + (1 + u % 11) * interval '1 day'
            ELSE timestamptz '2026-09-02 08:00Z' + (u % 20) * interval '1 day' END + u % 3600 * interval '1 s' AS at,
        jsonb_build_object('station_id', pg_temp.made(5, u), 'cartridge_id', pg_temp.made(22, 1), 'charge_ml', 280,
            'wick', 'new') AS payload
    FROM bench_unit
    UNION ALL
    SELECT pg_temp.made(23, u), 'unit', pg_temp.made(7, u), 'cartridge.exchanged', NULL,
        timestamptz '{month} 08:00Z' + (14 + s % 14) * interval '1 day' + u % 3600 * interval '1 s',
        jsonb_build_object('cartridge_id', pg_temp.made(22, 1), 'charge_ml', 280, 'cartridge_left_ml', 40,
            'reservoir_before_ml', 20, 'reservoir_after_ml', 20)
    FROM bench_unit
    UNION ALL
    SELECT pg_temp.made(24, u), 'unit', pg_temp.made(7, u), 'wick.changed', NULL,
        timestamptz '{month} 08:00Z' + (14 + s % 14) * interval '1 day' + (u % 3600 + 1) * interval '1 s',
        jsonb_build_object('reason', 'age')
    FROM bench_unit WHERE mode = 'unit_month' AND n IN (2, 5)
    UNION ALL
    SELECT pg_temp.made(25, u), 'unit', pg_temp.made(7, u), 'event.countered', pg_temp.made(24, u),
        timestamptz '{month} 08:00Z' + (14 + s % 14) * interval '1 day' + (u % 3600 + 2) * interval '1 s',
        jsonb_build_object('reason', 'other')
    FROM bench_unit WHERE mode = 'unit_month' AND n = 2 AND s % 250 = 0
    UNION ALL
    SELECT pg_temp.made(26, s), 'visit', pg_temp.made(26, s), 'visit.made', NULL,
        timestamptz '{month} 07:59Z' + (14 + s % 14) * interval '1 day',
        jsonb_build_object('site_id', pg_temp.made(2, s), 'outcome', 'served', 'crew_id', pg_temp.made(27, 1))
    FROM bench_site
) happened ORDER BY at, event_id
"""
_READ = (
    "accounts_customer",
    "accounts_serviceagreement",
    "accounts_site",
    "billing_billingprofile",
    "billing_contract",
    "billing_contractsite",
    "billing_contractterms",
    "billing_priceversion",
    "fleet_restroom",
    "fleet_station",
    "fleet_unit",
    "servicing_event",
)


def make_world(
    superuser: psycopg.Connection[Any], operator_id: UUID, sites: int, *, regime: str = "vat"
) -> None:
    """One operator with so many sites, its month over and not closed. ``sites`` is a multiple of 100."""
    fields = {
        "o": f"'{operator_id}'::uuid",
        "sites": sites,
        "per": SITES_A_CUSTOMER,
        "zone": ZONE,
        "month": MONTH,
        "regime": regime,
    }
    with superuser.transaction():
        # The keys are right by construction.
        superuser.execute("SET LOCAL session_replication_role = replica")
        superuser.execute("SET LOCAL work_mem = '256MB'")
        for statements in (_FUNCTIONS, _TABLES, _MASTER, _LOG):
            superuser.execute(statements.format(**fields))
        superuser.execute("DROP FUNCTION pg_temp.made")
    for table in _READ:
        superuser.execute(f"VACUUM ANALYZE {table}")
