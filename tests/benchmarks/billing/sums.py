"""The same sums of a month by one set-based statement, from the same log and master data: each payer's net and tax.

It knows of billing only what this world needs: no standstills, no splits, one mode a contract. Nothing is stored.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Any
from uuid import UUID

import psycopg

from tests.benchmarks.billing.world import MONTH, ZONE

_SUMS = f"""
WITH e AS MATERIALIZED (
    SELECT event_id, subject_id, type, payload, (occurred_at AT TIME ZONE '{ZONE}')::date AS day, occurred_at
    FROM servicing_event
    WHERE operator_id = %(o)s AND subject_kind = 'unit' AND NOT EXISTS (
        SELECT FROM servicing_event c WHERE c.operator_id = %(o)s AND c.corrects = servicing_event.event_id)
), stay AS (
    SELECT subject_id, (payload->>'station_id')::uuid AS station_id, type, day AS starts_on,
        coalesce(lead(day) OVER (PARTITION BY subject_id ORDER BY occurred_at), 'infinity') AS ends_before
    FROM e WHERE type IN ('unit.installed', 'unit.moved', 'unit.withdrawn')
), covered AS (
    SELECT cs.site_id, t.mode, cs.contract_id, coalesce(p.bill_to_id, s.customer_id) AS payer_id
    FROM billing_contractsite cs
    JOIN billing_contractterms t ON (t.operator_id, t.contract_id) = (cs.operator_id, cs.contract_id)
    JOIN accounts_site s ON (s.operator_id, s.id) = (cs.operator_id, cs.site_id)
    LEFT JOIN billing_billingprofile p ON (p.operator_id, p.customer_id) = (s.operator_id, s.customer_id)
    WHERE cs.operator_id = %(o)s
), price AS (
    SELECT c.contract_id, i.basis, i.event_type, coalesce(own.amount, list.amount) AS amount
    FROM (SELECT DISTINCT contract_id FROM covered) c
    CROSS JOIN billing_priceitem i
    LEFT JOIN billing_priceversion own ON (own.operator_id, own.item_id, own.contract_id) = (%(o)s, i.id, c.contract_id)
    JOIN billing_priceversion list ON (list.operator_id, list.item_id) = (%(o)s, i.id) AND list.contract_id IS NULL
    WHERE i.operator_id = %(o)s
), hung AS (
    SELECT stay.*, covered.* FROM stay
    JOIN fleet_station st ON (st.operator_id, st.id) = (%(o)s, stay.station_id)
    JOIN fleet_restroom r ON (r.operator_id, r.id) = (%(o)s, st.restroom_id)
    JOIN covered ON covered.site_id = r.site_id
    WHERE stay.type <> 'unit.withdrawn'
), days AS (
    SELECT hung.*, least(ends_before, date '{MONTH}' + interval '1 month')::date - greatest(starts_on, date '{MONTH}') AS days
    FROM hung
), charge AS (
    SELECT payer_id, round(p.amount * days / extract(day FROM date '{MONTH}' + interval '1 month - 1 day')::int, 2) AS amount
    FROM days JOIN price p USING (contract_id) WHERE mode = 'unit_month' AND p.basis = 'unit_month' AND days > 0
    UNION ALL
    SELECT payer_id, round(p.amount, 2)
    FROM e JOIN hung ON hung.subject_id = e.subject_id AND e.day >= hung.starts_on AND e.day < hung.ends_before
    JOIN price p ON p.contract_id = hung.contract_id AND p.basis = 'event' AND p.event_type = e.type
    WHERE e.day >= date '{MONTH}' AND e.day < date '{MONTH}' + interval '1 month'
        AND (hung.mode, e.type) IN (('unit_month', 'wick.changed'), ('unit_service', 'cartridge.exchanged'))
    UNION ALL
    SELECT payer_id, round(p.amount, 2)
    FROM covered JOIN price p USING (contract_id) WHERE mode = 'flat_site' AND p.basis = 'site_month'
)
SELECT payer_id, count(*), sum(amount), round(sum(amount) * 19 / 100, 2) FROM charge GROUP BY payer_id
"""


@dataclass(frozen=True, slots=True)
class Sums:
    """What a payer's document of the month comes to."""

    charges: int
    net: Decimal
    tax: Decimal


def sums(superuser: psycopg.Connection[Any], operator_id: UUID) -> dict[UUID, Sums]:
    with superuser.transaction():
        # What the statement makes for itself has no statistics: guessing few rows, the planner would loop over many.
        superuser.execute("SET LOCAL enable_nestloop = off")
        rows = superuser.execute(_SUMS, {"o": operator_id}).fetchall()
    return {payer: Sums(charges, net, tax) for payer, charges, net, tax in rows}


def issued(superuser: psycopg.Connection[Any], operator_id: UUID) -> dict[UUID, Sums]:
    """What was issued, of the same form."""
    rows = superuser.execute(
        """
        SELECT d.customer_id, sum(l.lines), sum(d.net), sum(d.tax) FROM billing_document d
        JOIN (SELECT document_id, count(*) AS lines FROM billing_documentline WHERE operator_id = %(o)s GROUP BY 1) l
            ON l.document_id = d.id
        WHERE d.operator_id = %(o)s GROUP BY d.customer_id
        """,
        {"o": operator_id},
    ).fetchall()
    return {payer: Sums(int(charges), net, tax) for payer, charges, net, tax in rows}
