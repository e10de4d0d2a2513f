"""The log as the month sheet reads it: the events that count, as plain numbers, in two passes over the operator's log."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Any, NamedTuple
from uuid import UUID

import numpy as np
from django.db import connection

from accounts.tenancy import current_operator_id
from servicing import log
from servicing.queries.folds import fold_event
from servicing.rules.fold import AHEAD_TOLERANCE, standings
from servicing.rules.months import Ints

# Versions of payloads that the statements below can read; a newer one needs a look at them.
READS = {
    "unit.installed": 1,
    "unit.moved": 1,
    "unit.opened": 1,
    "unit.withdrawn": 1,
    "cartridge.exchanged": 1,
    "wick.changed": 1,
    "reservoir.cleaned": 1,
    "fault.found": 1,
    "fault.closed": 1,
    "outlet.cleared": 1,
    "leak.stopped": 1,
    "report.received": 2,
    "report.closed": 1,
}
# Where units hang and how old their wicks are is known from all that was ever said of them.
EVER = ("unit.installed", "unit.moved", "unit.opened", "unit.withdrawn", "wick.changed")
MANY = ("cartridge.exchanged", "reservoir.cleaned")
RARE = tuple(kind for kind in READS if kind not in MANY)

_COUNTING = """
operator_id = %(operator)s AND occurred_at < %(until)s
    AND occurred_at <= received_at + %(ahead)s AND event_id <> ALL(%(superseded)s)
"""


class Said(NamedTuple):
    """One event: ``word`` is a mode, a reason, a report's kind, or "new" of a wick; ``ref`` a station or a report.

    Of ``unit.opened`` the word is the day on which its wick was fitted, ``charge_ml`` what was in it; both may be unknown.
    """

    subject_kind: str
    subject_id: UUID
    at_us: int
    type: str
    word: str
    ref: str | None
    charge_ml: int | None
    event_id: UUID


_RARE = f"""
SELECT subject_kind, subject_id, (extract(epoch FROM occurred_at) * 1000000)::bigint, type,
    coalesce(payload->>'mode', payload->>'reason', payload->>'wick', payload->>'kind', payload->>'drips_again',
        payload->>'wick_fitted_on', ''),
    coalesce(payload->>'station_id', payload->>'report_event_id'),
    (CASE type WHEN 'unit.opened' THEN payload->>'left_ml' ELSE payload->>'charge_ml' END)::int, event_id
FROM servicing_event
WHERE {_COUNTING} AND type = ANY(%(types)s) AND (occurred_at >= %(since)s OR type = ANY(%(ever)s))
ORDER BY subject_id, occurred_at, device_id, device_sequence, event_id
"""


def rare_events(since: datetime, until: datetime, superseded: Collection[UUID]) -> list[Said]:
    """All but exchanges and cleanings, subject by subject in canonical order; most kinds only from ``since`` on."""
    with connection.cursor() as cursor:
        values = {**_counted(until, superseded), "types": list(RARE), "since": since, "ever": list(EVER)}
        cursor.execute(_RARE, values)
        return [Said._make(row) for row in cursor.fetchall()]


UNREAD = -1


class Charged(NamedTuple):
    """Exchanges and cleanings in columns (N,), unit by unit in the order of time: the unit's place in ``unit_ids``, seconds
    since 1970, whether it is a cleaning (``left`` is then what was wiped out), and mL, ``UNREAD`` where nobody read them.
    """

    unit_ids: list[UUID]
    unit: Ints
    at_s: Ints
    is_cleaning: Ints
    charge: Ints
    left: Ints
    before: Ints
    after: Ints


# A column comes as the bytes of its numbers, so that a hundred thousand rows cost little more to read than a few; they
# are put in order here, which is quicker than the server's walk along an index of ids.
_CHARGED = f"""
SELECT string_agg(uuid_send(subject_id), ''::bytea), string_agg(int8send((extract(epoch FROM occurred_at) * 1000000)::bigint), ''::bytea),
    string_agg(int4send((type = 'reservoir.cleaned')::int), ''::bytea),
    string_agg(int4send(coalesce((payload->>'charge_ml')::int, 0)), ''::bytea),
    string_agg(int4send(coalesce(coalesce(payload->>'cartridge_left_ml', payload->>'wiped_out_ml')::int, -1)), ''::bytea),
    string_agg(int4send(coalesce((payload->>'reservoir_before_ml')::int, -1)), ''::bytea),
    string_agg(int4send(coalesce((payload->>'reservoir_after_ml')::int, 0)), ''::bytea)
FROM servicing_event
WHERE {_COUNTING} AND type = ANY(%(types)s) AND occurred_at >= %(since)s
"""


def charged_units(since: datetime, until: datetime, superseded: Collection[UUID]) -> Charged:
    """What was filled, found and wiped out, from ``since`` on."""
    with connection.cursor() as cursor:
        cursor.execute(_CHARGED, {**_counted(until, superseded), "types": list(MANY), "since": since})
        ids, instants, *columns = (column or b"" for column in cursor.fetchone())
    halves = np.frombuffer(ids, ">u8").reshape(-1, 2)
    at_us = np.frombuffer(instants, ">i8").astype(np.int64)
    order = np.lexsort((at_us, halves[:, 1], halves[:, 0]))
    halves = halves[order]
    is_next = np.ones(len(halves), np.bool_)
    is_next[1:] = (halves[1:] != halves[:-1]).any(axis=1)
    return Charged(
        [UUID(bytes=one.tobytes()) for one in halves[is_next]],
        np.cumsum(is_next) - 1,
        at_us[order] // 1_000_000,
        *(np.frombuffer(column, ">i4").astype(np.int64)[order] for column in columns),
    )


def superseded_ids() -> list[UUID]:
    """The events that fall to a correction, of all subjects."""
    rows = {row.event_id: row for row in log.events_correcting()}
    corrected = {row.corrects for row in rows.values() if row.corrects is not None} - rows.keys()
    rows |= {row.event_id: row for row in log.events_by_id(corrected)}
    found = standings([fold_event(row) for row in rows.values()])
    return sorted(event_id for event_id, standing in found.items() if standing.word == "superseded")


def _counted(until: datetime, superseded: Collection[UUID]) -> dict[str, Any]:
    return {
        "operator": current_operator_id(),
        "until": until,
        "ahead": AHEAD_TOLERANCE,
        "superseded": list(superseded),
    }
