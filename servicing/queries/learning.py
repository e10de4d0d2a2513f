"""What an operator's fits are learnt from: the histories of its units, read once, and what the log says of wicks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple
from uuid import UUID

import orjson
from django.db import connection

from accounts import queries as accounts
from accounts.tenancy import current_operator_id
from fleet import queries as fleet
from servicing.events.types import EventType
from servicing.queries.forecasting import group_of
from servicing.queries.reckoning import Placed
from servicing.rules.balance import epoch_s
from servicing.rules.fold import AHEAD_TOLERANCE
from servicing.rules.forecasting.learning import UnitLearnt
from servicing.rules.forecasting.looks import WickLine
from servicing.rules.unit import UnitHistory

FIRST, EVERYTHING = UUID(int=0), 2**31 - 1


class Told(NamedTuple):
    """A unit and what its events say; ``site_id`` None: it hangs nowhere."""

    unit_id: UUID
    site_id: UUID | None
    history: UnitHistory


_TOLD_SQL = """
SELECT unit_id, site_id, history::text FROM servicing_unitstate
WHERE operator_id = %s AND unit_id > %s ORDER BY unit_id LIMIT %s
"""


def told(most: int = EVERYTHING, after: UUID = FIRST) -> list[Told]:
    """Units of the operator with events, in the order of their ids, from the one after ``after`` on."""
    with connection.cursor() as cursor:
        cursor.execute(_TOLD_SQL, [current_operator_id(), after, most])
        return [
            Told(unit_id, site_id, UnitHistory.from_json(orjson.loads(history)))
            for unit_id, site_id, history in cursor.fetchall()
        ]


def placed_of(units: Sequence[Told]) -> list[Placed]:
    """Of these units, the ones that hang."""
    return [Placed(one.unit_id, one.site_id, one.history) for one in units if one.site_id is not None]


def units_learnt(units: Sequence[Told]) -> list[UnitLearnt]:
    """What these units add to the fits, each with what is on file of its site (the last one it hung at) and its liquid."""
    gone_from = {
        UUID(one.history.station_id) for one in units if one.site_id is None and one.history.station_id
    }
    places = {str(place.station_id): place.site_id for place in fleet.stations(gone_from).values()}
    sites = {one.site_id or places.get(one.history.station_id or "") for one in units}
    agreed = accounts.agreed_sites({site_id for site_id in sites if site_id is not None})
    cartridge_ids = {one.history.cartridge_id for one in units if one.history.cartridge_id}
    cartridges = {
        str(cartridge_id): facts
        for cartridge_id, facts in fleet.cartridge_facts({UUID(one) for one in cartridge_ids}).items()
    }
    found = []
    for unit_id, site_id, history in units:
        site = agreed.get(site_id or places.get(history.station_id or ""))  # type: ignore[arg-type]
        if site is None:
            continue  # printed, and nothing else is known of it
        cartridge = cartridges.get(history.cartridge_id or "")
        set_dose = float(history.set_dose_ml_per_day) if history.set_dose_ml_per_day else 0.0
        hangs = site_id is not None
        found.append(
            UnitLearnt(
                str(unit_id),
                group_of(site.kind, cartridge.code if cartridge else ""),
                site.kind,
                site.hardness_mg_per_l,
                cartridge.family if cartridge else "",
                set_dose or (cartridge.nominal_ml_per_day if cartridge else None),
                history.intervals if hangs else [],
                history.wick_lives,
                epoch_s(history.wick_since) if hangs and history.wick_since else None,
                # Of the wicks that were there at the start only those that had lasted were ever seen.
                None if history.wick_entered_at else history.wick_good_s,
                history.wick_failed_s,
            )
        )
    return found


# A corrected event and its correction are both left out: of a fleet's looks they are too few to matter.
_LOOKS_SQL = f"""
SELECT e.subject_id::text, floor(extract(epoch FROM e.occurred_at))::bigint, e.type,
    coalesce(e.payload->>'condition', e.payload->>'wick', e.payload->>'reason', '')
FROM servicing_event e
WHERE e.operator_id = %s AND e.position <= %s AND e.subject_kind = 'unit' AND e.type = ANY(%s) AND e.corrects IS NULL
    AND e.occurred_at <= e.received_at + interval '{int(AHEAD_TOLERANCE.total_seconds())} seconds'
    AND NOT EXISTS (
        SELECT FROM servicing_event c
        WHERE c.operator_id = e.operator_id AND c.corrects = e.event_id AND c.corrects IS NOT NULL
    )
ORDER BY e.subject_id, e.occurred_at, e.device_id, e.device_sequence, e.event_id
"""
_LOOK_TYPES = [
    EventType.UNIT_INSTALLED.value,
    EventType.UNIT_OPENED.value,
    EventType.UNIT_WITHDRAWN.value,
    EventType.WICK_CHANGED.value,
    EventType.WICK_CHECKED.value,
    EventType.WICK_WASHED.value,
]


def wick_lines(upto: int) -> Iterator[WickLine]:
    """What the log up to a position says of wicks, unit by unit, each in canonical order."""
    with connection.cursor() as cursor:
        cursor.execute(_LOOKS_SQL, [current_operator_id(), upto, _LOOK_TYPES])
        yield from map(WickLine._make, cursor.fetchall())
