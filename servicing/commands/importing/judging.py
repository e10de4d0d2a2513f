"""What would be made of rows, those of units together with what the log says of how they stand."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import date
from typing import Any
from uuid import UUID

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.errors import Problem
from accounts.ids import uuid7
from accounts.permissions import Actor, Permission, require
from fleet import queries as fleet
from fleet.commands import importing as rows_of_fleet
from fleet.commands.importing import Fate, Judged, Line, Row, Seen, Table
from servicing import log
from servicing.commands.opening import Opening, judge_openings
from servicing.events.fields import to_json
from servicing.events.types import EventType
from servicing.queries import hanging
from servicing.rules.unit import UnitHistory

UNITS = "units"
FACTS = (
    *("as_of", "installed_on", "last_exchange_on", "cartridge_id", "charge_ml", "left_ml"),
    *("wick_fitted_on", "wick_condition", "reservoir_cleaned_on", "dose_ml_per_day"),
)
# Refused by the log's own history: the row may still say no more than what is so.
_IN_THE_LOG = {"opened", "installed"}


def judge_table(*, actor: Actor, kind: str, table: Table) -> Judged:
    """What would be made of a file that was read already; nothing is stored."""
    _ask(actor, kind)
    return Judged(kind, table, judge_rows(actor=actor, kind=kind, rows=table.rows, seen=Seen()))


def judge_rows(*, actor: Actor, kind: str, rows: Sequence[Row], seen: Seen) -> list[Line]:
    """What would be made of these rows after those in ``seen``, to which they are added.

    A new line of a unit has in its values ``unit_id``, ``is_new`` when the unit itself is to be made, and, where it hangs,
    ``station_id`` and ``FACTS`` as far as they are known.
    """
    _ask(actor, kind)
    lines = rows_of_fleet.judge_rows(actor=actor, kind=kind, rows=rows, seen=seen)
    if kind == UNITS:
        with tenancy.reading(actor):
            _judge_units([line for line in lines if line.fate is not Fate.WRONG])
    return lines


def _ask(actor: Actor, kind: str) -> None:
    require(actor, rows_of_fleet.permission_for(kind))
    if kind == UNITS:
        require(actor, Permission.EVENTS_RECORD)


def opening_of(values: Mapping[str, Any]) -> Opening:
    """How a unit stood, as a line of a file says it."""
    return Opening(
        unit_id=values["unit_id"],
        station_id=values["station_id"],
        **{name: values[name] for name in FACTS if name in values},
    )


def said_of(problem: Problem) -> str:
    """A problem of an opening as a sentence beside a row: the column, unless it is the unit itself."""
    column = problem.pointer.strip("/").removesuffix("_id")
    return problem.detail if column in {"unit", "station"} else f"{column}: {problem.detail}"


def _judge_units(lines: Sequence[Line]) -> None:
    for line in lines:
        if "unit_id" not in line.values:
            line.values |= {"unit_id": uuid7(), "is_new": True}
    hung = [line for line in lines if "station_id" in line.values]
    asked = [_asked(line) for line in hung]
    days = _days_at({line.values["station_id"] for line in hung})
    for line in hung:
        line.values.setdefault("as_of", days[line.values["station_id"]])
    found = judge_openings([opening_of(line.values) for line in hung])
    histories = hanging.histories_of({line.values["unit_id"] for line in hung})
    told = _opened_as({line.values["unit_id"] for line, wrong in zip(hung, found, strict=True) if wrong})
    for line, said, problems in zip(hung, asked, found, strict=True):
        history = histories.get(line.values["unit_id"])
        _judge_hung(line, said, problems, history, told.get(line.values["unit_id"], ()))


def _judge_hung(
    line: Line,
    asked: Mapping[str, Any],
    problems: Sequence[Problem],
    history: UnitHistory | None,
    told: Sequence[Mapping[str, Any]],
) -> None:
    wrong = [one for one in problems if not (line.values.get("is_new") and one.pointer == "/unit_id")]
    if any(one.code in _IN_THE_LOG for one in wrong):
        if _says_no_more(asked, history, told):
            line.fate = Fate.THERE
            return
    elif not wrong:
        line.fate = Fate.NEW if history is None or not history.ever_installed else Fate.THERE
    for one in wrong:
        line.refuse(said_of(one))


def _asked(line: Line) -> dict[str, Any]:
    """What the row itself says of how its unit stands, as a payload has it."""
    return {name: to_json(line.values[name]) for name in ("station_id", *FACTS) if name in line.values}


def _says_no_more(
    asked: Mapping[str, Any], history: UnitHistory | None, told: Sequence[Mapping[str, Any]]
) -> bool:
    """Whether a row says only what was said when the unit was opened, or only where it hangs."""
    if any(all(payload.get(name) == value for name, value in asked.items()) for payload in told):
        return True
    if history is None or not history.is_installed or asked.keys() - {"station_id", "as_of"}:
        return False
    return bool(history.station_id == asked["station_id"])


def _opened_as(unit_ids: Collection[UUID]) -> dict[UUID, list[dict[str, Any]]]:
    """The payloads of these units' opening states."""
    found: dict[UUID, list[dict[str, Any]]] = {}
    for event in log.events_of(unit_ids) if unit_ids else ():
        if event.type == EventType.UNIT_OPENED.value:
            found.setdefault(event.subject_id, []).append(event.payload)
    return found


def _days_at(station_ids: Collection[UUID]) -> dict[UUID, date]:
    """Today at each of these stations."""
    places = fleet.stations(station_ids)
    sites = accounts.sites_in({place.site_id for place in places.values()})
    return {station_id: clock.today(sites[place.site_id].zone) for station_id, place in places.items()}
