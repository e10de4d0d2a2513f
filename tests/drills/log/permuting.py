"""The same events in any order, any split and any number of times must end in one state.

First sets of up to twelve events through the pure folds (units, standstills, visits), small sets in every order there is;
then a set of sixteen through the real upload. Counter-events, replacements and clocks that are ahead are among them.
"""

from __future__ import annotations

import hashlib
import itertools
import random
import sys
from collections.abc import Iterator, Sequence
from datetime import timedelta
from typing import Any
from uuid import UUID

import orjson
from hypothesis import Phase, given, seed, settings

from servicing.events.reading import PAYLOADS, read_payload
from servicing.events.types import EventType, Subject
from servicing.rules.fold import (
    CLOCK_AHEAD,
    EFFECTIVE,
    FoldEvent,
    fold_standstills,
    fold_visit,
    standings,
)
from servicing.rules.unit import fold_unit
from tests.cast import new_cast
from tests.servicing.random_logs import START, Names, Sketch, sketches, spoken
from tests.servicing.test_one_state import state_of, work

SEED = 20_261
MOST, EXHAUSTIVE = 12, 5
SHUFFLES = 5
UNITS = 2


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 10,000 arrivals of random sets and 400 journeys through the upload; else 200 and 20."""
    yield _pure(2_000 if full else 40)
    yield _uploaded(400 if full else 20)


def _pure(sets: int) -> dict[str, Any]:
    figures = {
        "sets": 0,
        "arrivals": 0,
        "exhaustive_sets": 0,
        "most_states_of_a_set": 0,
        "correcting_events": 0,
    }
    different: set[str] = set()
    draw = random.Random(SEED)

    @seed(SEED)
    @settings(max_examples=sets, deadline=None, database=None, phases=[Phase.generate])
    @given(sketches(units=UNITS, least=3, most=MOST, kinds=tuple(PAYLOADS)))
    def arrive(found: list[Sketch]) -> None:
        events = _events(found)
        arrivals = [_arrival(events, draw) for _ in range(SHUFFLES)]
        if len(events) <= EXHAUSTIVE:
            arrivals += [[list(order)] for order in itertools.permutations(events)]
            figures["exhaustive_sets"] += 1
        states = {_received(arrival) for arrival in arrivals} | {_received([events])}
        different.update(states)
        figures["sets"] += 1
        figures["arrivals"] += len(arrivals)
        figures["correcting_events"] += sum(event.corrects is not None for event in events)
        figures["most_states_of_a_set"] = max(figures["most_states_of_a_set"], len(states))

    print(f"drill: {sets} sets of events, each in {SHUFFLES} arrivals or more", file=sys.stderr)
    arrive()
    return {
        "name": "log.permute_fold",
        "figures": {**figures, "different_states": len(different)},
        "target": "1 state of each set",
        "ok": figures["most_states_of_a_set"] == 1
        and figures["correcting_events"] > 0
        and len(different) > sets // 2,
        "seed": SEED,
    }


def _events(found: Sequence[Sketch]) -> list[FoldEvent]:
    draw = random.Random(len(found))
    ids = [UUID(int=draw.getrandbits(128), version=4) for _ in found]
    names = Names(
        units=[UUID(int=1 + n) for n in range(UNITS)],
        devices=[UUID(int=10), UUID(int=11)],
        stations=[UUID(int=20 + n) for n in range(3)],
        cartridges=[UUID(int=30), UUID(int=31)],
        events=ids,
        sites=[UUID(int=40), UUID(int=41)],
    )
    return [_event(sketch, index, names) for index, sketch in enumerate(found)]


def _event(sketch: Sketch, index: int, names: Names) -> FoldEvent:
    kind = PAYLOADS[sketch.kind].SUBJECTS[0]
    subjects = {
        Subject.UNIT: names.units,
        Subject.SITE: names.sites,
        Subject.VISIT: [UUID(int=50), UUID(int=51)],
    }
    at = START + sketch.moment
    return FoldEvent(
        event_id=names.events[index],
        device_id=names.devices[sketch.device],
        device_sequence=index + 1,
        type=sketch.kind,
        subject_kind=kind.value,
        subject_id=subjects[kind][sketch.unit],
        occurred_at=at,
        received_at=at - timedelta(hours=1) * sketch.is_ahead,
        payload=read_payload(sketch.kind, sketch.version, spoken(sketch, names)),
        corrects=None if sketch.corrects is None else names.events[sketch.corrects],
    )


def _arrival(events: Sequence[FoldEvent], draw: random.Random) -> list[list[FoldEvent]]:
    """The events shuffled, some of them twice, cut into batches."""
    sent = [*events, *(event for event in events if draw.random() < 0.3)]
    draw.shuffle(sent)
    cuts = sorted(draw.randint(0, len(sent)) for _ in range(draw.randint(0, 4)))
    return [sent[a:b] for a, b in itertools.pairwise([0, *cuts, len(sent)])]


def _received(batches: Sequence[Sequence[FoldEvent]]) -> str:
    """The hash of the state once all batches are in; a repeated event is not taken again."""
    known: dict[UUID, FoldEvent] = {}
    for batch in batches:
        for event in batch:
            known.setdefault(event.event_id, event)
    events = list(known.values())
    standing = standings(events)
    subjects: dict[tuple[str, UUID], list[FoldEvent]] = {}
    for event in sorted(events, key=lambda one: one.key):
        subjects.setdefault((event.subject_kind, event.subject_id), []).append(event)
    state = []
    for (kind, subject_id), own in sorted(subjects.items()):
        effective = [event for event in own if standing[event.event_id] is EFFECTIVE]
        ahead = [event for event in own if standing[event.event_id] is CLOCK_AHEAD]
        made: Any
        if kind == "unit":
            made = fold_unit(effective, None, ahead).to_json()
        elif kind == "site":
            made = fold_standstills(effective)
        else:
            made = fold_visit([event for event in effective if event.type is not EventType.EVENT_COUNTERED])
        state.append([subject_id, made])
    return hashlib.sha256(orjson.dumps(state, option=orjson.OPT_SORT_KEYS)).hexdigest()


def _uploaded(journeys: int) -> dict[str, Any]:
    cast, draw = new_cast("permute", units=3), random.Random(SEED)
    plain = work(cast, 0)
    cast.upload(*plain)
    states = {hashlib.sha256(state_of(cast, plain).encode()).hexdigest()}
    sent = 0
    print(f"drill: {journeys} journeys of {len(plain)} events through the upload", file=sys.stderr)
    for _ in range(journeys):
        events = work(cast, 1)
        order = [*events, *draw.sample(events, draw.randint(0, 6))]
        draw.shuffle(order)
        cuts = sorted(draw.sample(range(1, len(order)), draw.randint(0, 4)))
        for a, b in itertools.pairwise([0, *cuts, len(order)]):
            cast.upload(*order[a:b])
        sent += len(order)
        states.add(hashlib.sha256(state_of(cast, events).encode()).hexdigest())
    return {
        "name": "log.permute_upload",
        "figures": {"journeys": journeys, "events_sent": sent, "states": len(states)},
        "target": "1 state",
        "ok": len(states) == 1 and sent > journeys * len(plain),
        "seed": SEED,
    }
