"""The set-based statement against the fold in Python: two makings of the same rows, equal to the byte."""

from __future__ import annotations

import json
from collections.abc import Collection
from datetime import timedelta
from itertools import pairwise
from random import Random
from typing import Any
from uuid import UUID

from django.db import connection
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from accounts import tenancy
from fleet import commands as fleet_commands
from servicing import log
from servicing.events.reading import PAYLOADS
from servicing.events.types import EventType
from servicing.models import Finding, Report
from servicing.projections import storing
from servicing.projections.sets import making
from servicing.queries.folds import fold_units
from servicing.rules.balance import MARKS
from servicing.rules.unit import UnitHistory
from tests.cast import Cast
from tests.servicing.random_logs import START, Names, Sketch, rounds, sketches, to_append


def _append(cast: Cast, found: list[Sketch], first_sequence: int) -> list[UUID]:
    units = fleet_commands.print_labels(actor=cast.owner, unit_model_id=cast.unit.unit_model_id, count=3)
    draw = Random(first_sequence)
    names = Names(
        units=[unit.id for unit in units],
        devices=[cast.phone.id, UUID(int=7)],
        stations=[station.id for station in cast.stations],
        cartridges=[cast.cartridge.id, UUID(int=8)],
        events=[UUID(int=draw.getrandbits(128), version=4) for _ in found],
        first_sequence=first_sequence,
    )
    with tenancy.operator_scope(cast.operator.id):
        log.append(to_append(found, names))
    return list(names.units)


def _by_statement(cast: Cast, unit_ids: Collection[UUID], upto: int | None = None) -> list[str]:
    """The units' rows as the statement stores them, the histories as the text of their jsonb."""
    with tenancy.operator_scope(cast.operator.id):
        making.store_units(log.head_position() if upto is None else upto)
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT unit_id, site_id, station_id, status, last_exchange_at, history::text FROM servicing_unitstate "
                "WHERE unit_id = ANY(%s)",
                [list(unit_ids)],
            )
            states = [("state", *row) for row in cursor.fetchall()]
        findings = Finding.objects.filter(subject_id__in=unit_ids).values_list(
            "event_id", "code", "subject_kind", "subject_id", "occurred_at"
        )
        reports = Report.objects.filter(unit_id__in=unit_ids).values_list(
            "event_id", "unit_id", "site_id", "kind", "received_at"
        )
        return sorted(
            _lines([*states, *(("finding", *r) for r in findings), *(("report", *r) for r in reports)])
        )


def _by_fold(cast: Cast, unit_ids: Collection[UUID], upto: int | None = None) -> list[str]:
    with tenancy.operator_scope(cast.operator.id, read_only=True):
        known = {event.subject_id for event in log.events_of(unit_ids, upto=upto)} & set(unit_ids)
        histories = fold_units(known, upto=upto)
        places = storing.places_of(histories)
        rows: list[tuple[Any, ...]] = []
        with connection.cursor() as cursor:
            for row in storing.unit_columns(histories, places):
                cursor.execute("SELECT %s::jsonb::text", [json.dumps(row["history"])])
                rows.append(("state", *list(row.values())[:-1], *cursor.fetchone()))
        findings = [
            (row["event_id"], row["code"], row["subject_kind"], row["subject_id"], row["occurred_at"])
            for row in storing.finding_rows(histories)
        ]
        rows += [("finding", *row) for row in findings]
        rows += [("report", *row.values()) for row in storing.report_rows(histories, places)]
    return sorted(_lines(rows))


def _lines(rows: list[tuple[Any, ...]]) -> list[str]:
    return [
        json.dumps(
            [one.isoformat(timespec="microseconds") if hasattr(one, "isoformat") else one for one in row],
            default=str,
        )
        for row in rows
    ]


def _agree(cast: Cast, logs: st.SearchStrategy[list[Sketch]], examples: int) -> set[str]:
    """Compare the two over random logs; returns what was among them, in words."""
    sequences = iter(range(1, 1_000_000, 200))
    seen: set[str] = set()

    @settings(
        max_examples=examples,
        # The same examples each time: the words seen are among them.
        derandomize=True,
        # Each example writes; making a found difference small would take minutes.
        phases=[Phase.generate],
        deadline=None,
        database=None,
        suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
    )
    @given(logs)
    def agree(found: list[Sketch]) -> None:
        units = _append(cast, found, next(sequences))
        by_fold = _by_fold(cast, units)
        by_statement = _by_statement(cast, units)
        assert by_statement == by_fold
        for line in by_fold:
            seen.update(word for word in json.loads(line) if isinstance(word, str))
            seen.update(_situations(line))

    agree()
    return seen


def test_random_logs_give_the_same_rows_by_statement_and_by_fold(north):
    seen = _agree(north, sketches(least=12), 80)

    # All that can be found or be is among what was compared.
    assert {"printed", "up", "degraded", "down", "withdrawn", "report"} <= seen
    assert {
        "installed_twice",
        "serviced_before_installed",
        "touched_after_withdrawal",
        "more_left_than_filled",
        "clock_ahead",
        "level_contradicts",
        "opened_twice",
        "opened_after_installed",
        "opened, nothing known",
    } <= seen


def test_random_rounds_give_the_same_balances_and_wicks_by_statement_and_by_fold(north):
    seen = _agree(north, rounds(), 70)

    assert {f"mark {mark}" for mark in MARKS} | {"marks in order", "unread", "wiped", "balanced"} <= seen
    assert {"wick seen good", "wick seen failed", "wick failed", "wick in order", "wick life kept"} <= seen
    assert {"more_left_than_filled", "level_contradicts"} <= seen
    assert {"opened", "opened and exchanged", "wick entered"} <= seen


def _situations(line: str) -> set[str]:
    """What the history of a state's line has of balances and wicks, in the words asked for above."""
    said = json.loads(line)
    history: dict[str, Any] = json.loads(said[-1]) if said[0] == "state" else UnitHistory().to_json()
    marks = [interval[-1] for interval in history["intervals"]] + [history["marks"]]
    lives = history["wick_lives"]
    holds = {
        **{f"mark {mark}": any(mark in one for one in marks) for mark in MARKS},
        "marks in order": any(len(one) > 2 for one in marks),
        "unread": any(one[3] is None for one in history["intervals"]),
        "wiped": any(one[5] > 0 for one in history["intervals"]),
        "balanced": any(None not in one for one in history["intervals"]),
        "wick seen good": history["wick_good_s"] is not None and history["wick_since"] is None,
        "wick seen failed": history["wick_failed_s"] is not None,
        "wick failed": any(failed is not None and failed < ended for _, _, failed, ended in lives),
        "wick in order": any(failed is None for _, _, failed, _ in lives),
        "opened": history["opened_at"] is not None,
        "opened and exchanged": history["opened_at"] is not None and history["intervals"] != [],
        "opened, nothing known": history["opened_at"] is not None and history["level_at"] is None,
        "wick entered": history["wick_entered_at"] is not None,
        "wick life kept": bool(lives) and history["wick_since"] is None,
    }
    return {words for words, is_so in holds.items() if is_so}


def test_of_many_exchanges_and_wicks_the_latest_are_kept_by_both(north):
    def said(kind: EventType, day: float, /, **payload: Any) -> Sketch:
        return Sketch(kind, 0, timedelta(days=day), 0, 1, None, payload)

    read = {"cartridge_left_ml": 40, "reservoir_before_ml": 20, "reservoir_after_ml": 20}
    found = [said(EventType.UNIT_INSTALLED, 0, station_id=0, cartridge_id=0, charge_ml=280, wick="new")]
    for month in range(1, 26):
        exchange = said(EventType.CARTRIDGE_EXCHANGED, 30 * month, cartridge_id=0, charge_ml=280, **read)
        changed = said(EventType.WICK_CHANGED, 30 * month + 10, reason="age")
        found += [exchange, changed]
    # A wick changed twice in a second, and an exchange just after another, leave nothing to learn from.
    found.append(said(EventType.WICK_CHANGED, 760.000_001, reason="failed"))
    found.append(said(EventType.CARTRIDGE_EXCHANGED, 750.000_001, cartridge_id=0, charge_ml=280, **read))
    units = _append(north, found, 1)

    by_statement = _by_statement(north, units)

    assert by_statement == _by_fold(north, units)
    (state,) = [json.loads(line) for line in by_statement if line.startswith('["state"')]
    history = json.loads(state[-1])
    ends = [int((START + timedelta(days=30 * month)).timestamp()) for month in range(8, 26)]
    assert [one[0] for one in history["intervals"]] == ends
    assert [one[1:] for one in history["intervals"]] == [[30 * 86_400, 300, 40, 20, 0, "w"]] * 18
    changes = [int((START + timedelta(days=30 * month + 10)).timestamp()) for month in range(19, 26)]
    assert history["wick_lives"] == [[fitted, fitted, None, ended] for fitted, ended in pairwise(changes)]


def test_of_several_closings_before_a_report_the_first_is_used_up(north):
    def said(kind: EventType, day: int, /, **payload: Any) -> Sketch:
        return Sketch(kind, 0, timedelta(days=day), 0, PAYLOADS[kind].VERSION, None, payload)

    one, other = 4, 5
    found = [
        said(EventType.REPORT_CLOSED, 1, report_event_id=one),
        said(EventType.REPORT_CLOSED, 2, report_event_id=other),
        said(EventType.REPORT_CLOSED, 3, report_event_id=one),
        said(EventType.REPORT_CLOSED, 4, report_event_id=one),
        said(EventType.REPORT_RECEIVED, 5, kind="odour"),
    ]
    # What the second closing names is no report and never will be.
    found.append(said(EventType.DOSE_SET, 0, dose_ml_per_day="8"))
    units = _append(north, found, 1)

    by_statement = _by_statement(north, units)

    assert by_statement == _by_fold(north, units)
    (state,) = [json.loads(line) for line in by_statement if line.startswith('["state"')]
    left = json.loads(state[-1])["closed_before_received"]
    assert left == [left[0], left[1], left[1]]
    assert left[0] != left[1]


def test_the_rows_as_at_a_position_leave_out_what_came_later(north):
    installed = north.installed()
    north.upload(installed)
    with north.reading():
        position = log.head_position()
    north.upload(north.event("event.countered", north.unit, corrects=installed["id"], reason="wrong_unit"))

    before = _by_statement(north, [north.unit.id], position)
    now = _by_statement(north, [north.unit.id])

    assert before == _by_fold(north, [north.unit.id], position)
    assert now == _by_fold(north, [north.unit.id])
    assert '"up"' in before[0]
    assert '"printed"' in now[0]
