"""The same work, sent in any order, any split and any number of times, gives one state."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from accounts.ids import uuid7
from fleet import commands as fleet_commands
from servicing.models import DueSegment, Finding, Outlook, UnitState, Visit
from tests.cast import Cast

AT = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)
UUID_TEXT = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")


def work(cast: Cast, number: int) -> list[dict]:
    """Two units' history with counter-events, a replacement, contradictions and a clock that is ahead."""
    one, other = fleet_commands.print_labels(actor=cast.owner, unit_model_id=cast.unit.unit_model_id, count=2)
    visit = uuid7(AT)

    def at(days: float) -> datetime:
        return AT + timedelta(days=days)

    wrong = cast.exchanged(one, at(31), cartridge_left_ml=250, visit=visit)
    undone = cast.event("wick.changed", one, at(31.01), reason="age", visit=visit)
    undo = cast.event("event.countered", one, at(32), corrects=undone["id"], reason="wrong_unit")
    better = cast.exchanged(one, at(31), cartridge_left_ml=25, corrects=wrong["id"], visit=visit)
    best = cast.exchanged(one, at(31), cartridge_left_ml=30, corrects=wrong["id"], visit=visit)
    made = cast.event(
        "visit.made",
        visit,
        at(31.02),
        site_id=cast.site.id,
        outcome="served",
        crew_id=cast.crew.id,
        minutes=25,
    )
    return [
        cast.installed(one, at(0)),
        wrong,
        undone,
        undo,
        cast.event("event.countered", one, at(33), corrects=undo["id"], reason="wrong_entry"),
        cast.event("event.countered", one, at(34), corrects=undone["id"], reason="not_done"),
        better,
        best,
        made,
        cast.exchanged(other, at(-1)),  # before it was installed
        cast.installed(other, at(1), station=1),
        cast.exchanged(other, at(31.05), visit=visit),
        cast.event("fault.found", other, at(31.06), mode="PLU", detection="visit_check", visit=visit),
        cast.event("unit.withdrawn", other, at(35), reason="damaged"),
        cast.event("wick.washed", other, at(36)),  # after it was withdrawn
        cast.event("level.read", one, at(400), cartridge_left_ml=1, reservoir_ml=1),  # its clock is ahead
    ]


def state_of(cast: Cast, events: list[dict]) -> str:
    """All that is folded from these events, with each id as the number of its first mention in ``events``."""
    units = list(dict.fromkeys(e["subject"]["id"] for e in events if e["subject"]["kind"] == "unit"))
    visits = [e["subject"]["id"] for e in events if e["subject"]["kind"] == "visit"]
    with cast.reading():
        rows = {
            "states": list(
                UnitState.objects.filter(unit_id__in=units).values("unit_id", "site_id", "status", "history")
            ),
            "segments": list(DueSegment.objects.filter(unit_id__in=units).values()),
            "outlooks": list(Outlook.objects.filter(unit_id__in=units).values()),
            "findings": list(Finding.objects.filter(subject_id__in=units).values()),
            "visits": list(Visit.objects.filter(id__in=visits).values()),
        }
    for state in rows["states"]:
        if state["history"]["last_key"]:
            state["history"]["last_key"][2] -= events[0]["device_sequence"]
    mentions = list(dict.fromkeys(UUID_TEXT.findall(json.dumps(events))))
    numbers = {mention: f"#{number}" for number, mention in enumerate(mentions)}
    parts = [
        f"{name} {json.dumps(row, default=str, sort_keys=True)}"
        for name, found in rows.items()
        for row in found
    ]
    named = [UUID_TEXT.sub(lambda match: numbers.get(match.group(), match.group()), part) for part in parts]
    return "\n".join(sorted(named))


@st.composite
def _journeys(draw: st.DrawFn) -> list[list[int]]:
    """Uploads as lists of indices: a shuffle with repeats, cut into batches."""
    count = 16
    order = draw(st.permutations(range(count)))
    repeats = draw(st.lists(st.integers(0, count - 1), max_size=6))
    sent = list(order)
    for index, repeat in enumerate(repeats):
        sent.insert((index * 7 + repeat) % (len(sent) + 1), repeat)
    cuts = sorted(draw(st.sets(st.integers(1, len(sent) - 1), max_size=4)))
    return [sent[a:b] for a, b in zip([0, *cuts], [*cuts, len(sent)], strict=True)]


def test_two_hundred_journeys_of_the_same_work_end_in_one_state(north):
    plain = work(north, 0)
    north.upload(*plain)
    expected = state_of(north, plain)
    states = set()
    fates = set()

    @settings(
        max_examples=200,
        deadline=None,
        database=None,
        suppress_health_check=[HealthCheck.function_scoped_fixture],
    )
    @given(_journeys())
    def travel(journey: list[list[int]]) -> None:
        events = work(north, 1)
        for batch in journey:
            fates.update(fate.fate for fate in north.upload(*(events[index] for index in batch)))
        states.add(state_of(north, events))

    travel()

    assert "#" in expected
    assert expected.count("states ") == 2
    assert expected.count("findings ") == 3
    assert "visits " in expected
    assert states == {expected}
    assert fates == {"accepted", "duplicate"}
