"""Operators with a thousand units each, written set-based by a superuser: the same rows that their logs would give."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import numpy as np
import orjson
import psycopg

from tests.benchmarks.forecast.histories import CHARGE_ML, NOMINAL_ML_PER_DAY, histories
from tests.benchmarks.rounds import SEED

UNITS, SITES = 1_000, 20

# Ids are made of what they name, so that every statement can tell them without looking them up. Units have theirs in the
# same order in every fleet: sums over a fleet then come out alike to the last digit.
_UNIT_ID = """
CREATE FUNCTION pg_temp.bench_unit(o uuid, n int) RETURNS uuid IMMUTABLE LANGUAGE sql
RETURN (left(o::text, 24) || lpad(to_hex(n), 12, '0'))::uuid
"""
_FLEET = """
INSERT INTO accounts_operator (id, slug, name, legal_name, currency, minor_units, zone, locale)
SELECT o, 'fleet-' || o, 'Fleet ' || o, 'Fleet ' || o, 'EUR', 2, 'Europe/Berlin', 'en-GB' FROM bench_operator;
INSERT INTO accounts_customer (operator_id, id, code, name, billing_email, address, country)
SELECT o, md5(o || 'customer')::uuid, 'C1', 'Quay Schools', '', '', 'DE' FROM bench_operator;
INSERT INTO accounts_site (operator_id, id, customer_id, code, name, kind, address, area, zone, hardness_mg_per_l, dust)
SELECT o, md5(o || 'site' || s)::uuid, md5(o || 'customer')::uuid, 'S' || s, 'Site ' || s,
    (ARRAY['school', 'office', 'hotel', 'transit'])[mod(s, 4) + 1], '', '', 'Europe/Berlin', 60 * mod(s, 5),
    (ARRAY['low', 'normal', 'high'])[mod(s, 3) + 1]
FROM bench_operator, generate_series(1, {sites}) s;
INSERT INTO accounts_serviceagreement
    (operator_id, id, site_id, number, interval_months, grace_before_days, grace_after_days, anchor_on, starts_on)
SELECT operator_id, md5(id || 'agreement')::uuid, id, 'A' || code, 1, 5, 3,
    date '2025-01-01' + substr(code, 2)::int, date '2025-01-01'
FROM accounts_site JOIN bench_operator ON o = operator_id;
INSERT INTO fleet_liquid (operator_id, id, name, family, caution)
SELECT o, md5(o || 'liquid')::uuid, 'Scale remover', 'acid', '' FROM bench_operator;
INSERT INTO fleet_cartridge (operator_id, id, code, name, liquid_id, volume_ml, nominal_dose_ml_per_day)
SELECT o, md5(o || 'cartridge')::uuid, 'C', 'C', md5(o || 'liquid')::uuid, {charge}, {nominal} FROM bench_operator;
INSERT INTO fleet_unitmodel (operator_id, id, name, reservoir_ml)
SELECT o, md5(o || 'model')::uuid, 'Wall unit', 40 FROM bench_operator;
INSERT INTO fleet_restroom (operator_id, id, site_id, name)
SELECT operator_id, md5(id || 'restroom')::uuid, id, 'Ground floor'
FROM accounts_site JOIN bench_operator ON o = operator_id;
INSERT INTO fleet_station (operator_id, id, restroom_id, name, fixture)
SELECT o, md5(o || 'station' || n)::uuid, md5(md5(o || 'site' || mod(n, {sites}) + 1)::uuid || 'restroom')::uuid, n,
    'urinal'
FROM bench_operator, generate_series(1, {units}) n;
INSERT INTO fleet_unit (operator_id, id, code, unit_model_id, printed_at)
SELECT o, pg_temp.bench_unit(o, n), lpad(n::text, 9, '0'), md5(o || 'model')::uuid, timestamptz '2024-12-01'
FROM bench_operator, generate_series(1, {units}) n;
INSERT INTO servicing_unitstate (operator_id, unit_id, site_id, station_id, status, last_exchange_at, history)
SELECT o, pg_temp.bench_unit(o, n), md5(o || 'site' || mod(n, {sites}) + 1)::uuid, md5(o || 'station' || n)::uuid,
    'up', (history->>'last_exchange_at')::timestamptz,
    history || jsonb_build_object(
        'station_id', md5(o || 'station' || n)::uuid, 'cartridge_id', md5(o || 'cartridge')::uuid)
FROM bench_operator JOIN bench_history USING (kind);
INSERT INTO servicing_outlook (operator_id, unit_id, site_id)
SELECT operator_id, unit_id, site_id FROM servicing_unitstate JOIN bench_operator ON o = operator_id;
"""


def make_fleets(superuser: psycopg.Connection[Any], number: int, kinds: int) -> list[UUID]:
    """That many operators; every ``kinds``-th has the same histories, unit by unit, at sites alike. No outlook says a thing."""
    draw = np.random.default_rng(SEED)
    with superuser.transaction():
        superuser.execute(
            "SET LOCAL session_replication_role = replica"
        )  # the keys are right by construction
        superuser.execute(_UNIT_ID)
        superuser.execute("CREATE TEMP TABLE bench_history (kind int, n int, history jsonb) ON COMMIT DROP")
        superuser.execute("CREATE TEMP TABLE bench_operator (j int, o uuid, kind int) ON COMMIT DROP")
        with superuser.cursor().copy("COPY bench_history FROM STDIN") as into:
            for kind in range(kinds):
                for n, history in enumerate(histories(draw, UNITS), 1):
                    into.write_row((kind, n, orjson.dumps(history).decode()))
        superuser.execute(
            "INSERT INTO bench_operator SELECT j, md5('fleet' || j)::uuid, mod(j, %s) FROM generate_series(0, %s) j",
            [kinds, number - 1],
        )
        superuser.execute("ANALYZE bench_history; ANALYZE bench_operator")
        superuser.execute(
            _FLEET.format(units=UNITS, sites=SITES, charge=CHARGE_ML, nominal=NOMINAL_ML_PER_DAY)
        )
        rows = superuser.execute("SELECT o FROM bench_operator ORDER BY j").fetchall()
    return [operator_id for (operator_id,) in rows]
