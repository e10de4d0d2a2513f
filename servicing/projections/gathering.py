"""All that a fold of new events has to know of what is stored, read in one statement under the operator's lock."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, NamedTuple
from uuid import UUID

from accounts.queries import default_service_rules
from accounts.tenancy import current_operator_id
from fleet.queries import CartridgeFacts
from servicing.events.types import EventType
from servicing.queries.forecasting import LIVE_SQL, fits_of
from servicing.queries.prepared import array, row_of
from servicing.queries.reckoning import (
    RULE_FIELDS,
    Master,
    Rules,
    SiteFacts,
    rules_of,
    site_due_of,
)
from servicing.rules import due
from servicing.rules.fold import AHEAD_TOLERANCE
from servicing.rules.forecasting.fits import Fits
from servicing.rules.water import hardness_class


class Outcome(NamedTuple):
    """A visit's last outcome as it is stored, and how many units its standing touches handled.

    ``is_entangled``: something corrects one of its events, so it must be folded from all of them.
    """

    is_entangled: bool
    type: str
    schema_version: int
    payload: dict[str, Any]
    occurred_at: datetime
    units: int


@dataclass(frozen=True, slots=True)
class Known:
    """What is stored of the subjects that new events touch, and the master data that their rows are made with.

    ``position``: the checkpoint. ``is_gap``: events lie between it and the first new one. ``corrected``: which of the
    new events something corrects. ``sites`` by station. Visits without an outcome are left out.
    """

    position: int
    is_gap: bool
    corrected: set[UUID]
    histories: dict[str, dict[str, Any]]
    sites: dict[UUID, UUID]
    visits: dict[UUID, Outcome]
    master: Master


def gather(
    projection: str,
    *,
    first_position: int,
    event_ids: Collection[UUID],
    unit_ids: Collection[UUID],
    station_ids: Collection[UUID],
    cartridge_ids: Collection[UUID],
    visit_ids: Collection[UUID],
) -> Known:
    """What these events, units, visits, and stations and cartridges that new events name, need for their fold."""
    position, is_gap, corrected, histories, places, sites, cartridges, rules, visits, *fits = row_of(
        _GATHER_SQL,
        {
            "operator": current_operator_id(),
            "projection": projection,
            "first": str(first_position),
            "events": array(event_ids),
            "units": array(unit_ids),
            "stations": array(station_ids),
            "cartridges": array(cartridge_ids),
            "visits": array(visit_ids),
        },
    )
    return Known(
        position=position or 0,
        is_gap=is_gap,
        corrected=set(corrected),
        histories=histories or {},
        sites={UUID(station): UUID(site) for station, site in places or ()},
        visits={
            UUID(visit): Outcome._make([*plain, datetime.fromisoformat(at), units])
            for visit, *plain, at, units in visits or ()
        },
        master=_master(sites or (), cartridges or (), rules or (), fits_of(*fits)),
    )


def _master(sites: Any, cartridges: Any, rules: Any, fits: Fits) -> Master:
    return Master(
        sites={
            UUID(site): SiteFacts(
                zone,
                site_due_of(
                    tuple(_terms(one) for one in terms or ()),
                    tuple(due.Standstill(_day(first), _day(last)) for first, last in pauses or ()),  # type: ignore[arg-type]
                ),
                kind,
                hardness_class(hardness),
                dust,
            )
            for site, zone, kind, hardness, dust, terms, pauses in sites
        },
        cartridges={cartridge: CartridgeFacts(*facts) for cartridge, *facts in cartridges},
        rules=[Rules(date.fromisoformat(day), *values) for day, *values in rules] or [_DEFAULTS],
        fits=fits,
    )


def _terms(stored: list[Any]) -> due.Terms:
    anchor_on, months, before_days, after_days, starts_on, ends_on = stored
    return due.Terms(
        date.fromisoformat(anchor_on),
        months,
        before_days,
        after_days,
        date.fromisoformat(starts_on),
        _day(ends_on),
    )


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


_DEFAULTS = rules_of(default_service_rules())
_RULE_COLUMNS = ", ".join((*RULE_FIELDS[:4], *(f"{name}::float8" for name in RULE_FIELDS[4:])))

_COUNTERED = EventType.EVENT_COUNTERED.value
_AHEAD_MINUTES = int(AHEAD_TOLERANCE.total_seconds()) // 60

_GATHER_SQL = f"""
WITH checkpoint AS MATERIALIZED (
    SELECT coalesce((
        SELECT position FROM servicing_checkpoint WHERE operator_id = %(operator)s AND projection = %(projection)s
    ), 0) AS position
), states AS MATERIALIZED (
    SELECT unit_id, history, (history->>'station_id')::uuid AS station_id, (history->>'cartridge_id')::uuid AS cartridge_id
    FROM servicing_unitstate WHERE operator_id = %(operator)s AND unit_id = ANY(%(units)s::uuid[])
), places AS MATERIALIZED (
    SELECT named.id, (
        SELECT r.site_id FROM fleet_station s
        JOIN fleet_restroom r ON r.operator_id = s.operator_id AND r.id = s.restroom_id
        WHERE s.operator_id = %(operator)s AND s.id = named.id
    ) AS site_id
    FROM (
        SELECT unnest(%(stations)s::uuid[]) AS id UNION SELECT station_id FROM states WHERE station_id IS NOT NULL
    ) named
), outcomes AS MATERIALIZED (
    SELECT v.id, o.type, o.schema_version, o.payload, o.occurred_at, t.units, t.is_entangled OR own.is_entangled AS is_entangled
    FROM unnest(%(visits)s::uuid[]) AS v (id)
    CROSS JOIN LATERAL (
        SELECT e.type, e.schema_version, e.payload, e.occurred_at
        FROM servicing_event e
        WHERE e.operator_id = %(operator)s AND e.subject_id = v.id AND e.type <> '{_COUNTERED}'
            AND e.occurred_at <= e.received_at + interval '{_AHEAD_MINUTES} minutes'
        ORDER BY e.occurred_at DESC, e.device_id DESC, e.device_sequence DESC, e.event_id DESC LIMIT 1
    ) o
    CROSS JOIN LATERAL (
        SELECT coalesce(bool_or(e.corrects IS NOT NULL OR EXISTS (
            SELECT FROM servicing_event c
            WHERE c.operator_id = %(operator)s AND c.corrects = e.event_id AND c.corrects IS NOT NULL
        )), false) AS is_entangled
        FROM servicing_event e WHERE e.operator_id = %(operator)s AND e.subject_id = v.id
    ) own
    CROSS JOIN LATERAL (
        SELECT count(DISTINCT e.subject_id) FILTER (
                WHERE e.subject_kind = 'unit' AND e.type <> '{_COUNTERED}'
                    AND e.occurred_at <= e.received_at + interval '{_AHEAD_MINUTES} minutes'
            ) AS units,
            coalesce(bool_or(e.corrects IS NOT NULL OR EXISTS (
                SELECT FROM servicing_event c
                WHERE c.operator_id = %(operator)s AND c.corrects = e.event_id AND c.corrects IS NOT NULL
            )), false) AS is_entangled
        FROM servicing_event e
        WHERE e.operator_id = %(operator)s AND e.visit_id = v.id AND e.visit_id IS NOT NULL
    ) t
)
SELECT
    (SELECT position FROM checkpoint),
    EXISTS (
        SELECT FROM servicing_event WHERE operator_id = %(operator)s
            AND position > (SELECT position FROM checkpoint) AND position < %(first)s::bigint
    ),
    ARRAY(
        SELECT DISTINCT corrects FROM servicing_event
        WHERE operator_id = %(operator)s AND corrects = ANY(%(events)s::uuid[]) AND corrects IS NOT NULL
    ),
    (SELECT json_object_agg(unit_id, history) FROM states),
    (SELECT json_agg(json_build_array(id, site_id)) FROM places),
    (
        SELECT json_agg(json_build_array(s.id, s.zone, s.kind, s.hardness_mg_per_l, s.dust, (
            SELECT json_agg(json_build_array(
                a.anchor_on, a.interval_months, a.grace_before_days, a.grace_after_days, a.starts_on, a.ends_on
            ) ORDER BY a.starts_on)
            FROM accounts_serviceagreement a WHERE a.operator_id = s.operator_id AND a.site_id = s.id
        ), (
            SELECT json_agg(json_build_array(p.starts_on, p.ends_on) ORDER BY p.starts_on, p.event_id)
            FROM servicing_standstill p WHERE p.operator_id = s.operator_id AND p.site_id = s.id
        )))
        FROM accounts_site s
        WHERE s.operator_id = %(operator)s AND s.id = ANY(ARRAY(
            SELECT site_id FROM places UNION SELECT (payload->>'site_id')::uuid FROM outcomes
        ))
    ),
    (
        SELECT json_agg(json_build_array(c.id, c.code, c.nominal_dose_ml_per_day::float8, l.family))
        FROM fleet_cartridge c JOIN fleet_liquid l ON l.operator_id = c.operator_id AND l.id = c.liquid_id
        WHERE c.operator_id = %(operator)s AND c.id = ANY(
            %(cartridges)s::uuid[] || ARRAY(SELECT cartridge_id FROM states WHERE cartridge_id IS NOT NULL)
        )
    ),
    (
        SELECT json_agg(json_build_array(effective_from, {_RULE_COLUMNS}) ORDER BY effective_from)
        FROM accounts_servicerules WHERE operator_id = %(operator)s
    ),
    (
        SELECT json_agg(json_build_array(id, is_entangled, type, schema_version, payload, occurred_at, units))
        FROM outcomes
    ),
    {LIVE_SQL}
"""
