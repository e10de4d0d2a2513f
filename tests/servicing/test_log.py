"""The log's append and its reading: the hash's form, the fates, the office's numbers, the locks."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from datetime import UTC, timedelta, timezone
from typing import Any
from uuid import UUID

import psycopg
import pytest
from django.db import OperationalError, connection, transaction
from hypothesis import given
from hypothesis import strategies as st

from accounts import tenancy
from accounts.ids import uuid7
from servicing import log
from servicing.log import NewEvent
from tests.cast import NOON, Cast


def new_event(cast: Cast, sequence: int | None = None, **changed: Any) -> NewEvent:
    event = NewEvent(
        event_id=uuid7(NOON),
        device_id=cast.phone.id,
        device_sequence=sequence,
        subject_kind="unit",
        subject_id=cast.unit.id,
        type="wick.checked",
        schema_version=1,
        occurred_at=NOON,
        received_at=NOON,
        actor_kind="device",
        actor_id=cast.phone.id,
        payload={"condition": "good"},
    )
    return dataclasses.replace(event, **changed)


def append(cast: Cast, *events: NewEvent) -> list[log.Appended]:
    with tenancy.writing(cast.crew_phone):
        return log.append(events)


def stored(cast: Cast) -> list[log.EventRow]:
    with cast.reading():
        return log.events_after(0)


# The hash

values = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**63), 2**63 - 1) | st.text(st.characters(codec="utf-8")),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.text(st.characters(codec="utf-8")), inner, max_size=4)
    ),
    max_leaves=12,
)
ids = st.none() | st.uuids()


def plain_form(event: NewEvent, *, from_office: bool) -> bytes:
    """The form by Python's own json module."""
    content = [
        str(event.event_id),
        str(event.device_id),
        None if from_office else event.device_sequence,
        event.subject_kind,
        str(event.subject_id),
        event.type,
        event.schema_version,
        event.occurred_at.astimezone(UTC).isoformat(timespec="microseconds"),
        *(
            None if one is None else str(one)
            for one in (event.member_id, event.visit_id, event.touch_id, event.corrects)
        ),
        event.payload,
    ]
    return json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


microseconds = st.integers(-(10**15), 10**16)
zones = st.sampled_from([UTC, timezone(timedelta(hours=5, minutes=30)), timezone(timedelta(hours=-9))])


@given(
    sequence=st.integers(1, 2**62),
    at=st.builds(lambda n, zone: (NOON + timedelta(microseconds=n)).astimezone(zone), microseconds, zones),
    all_ids=st.tuples(st.uuids(), ids, ids, ids, ids),
    payload=st.dictionaries(st.text(st.characters(codec="utf-8")), values, max_size=5),
    from_office=st.booleans(),
)
def test_the_hash_is_that_of_the_form_by_the_standard_library(sequence, at, all_ids, payload, from_office):
    event_id, member_id, visit_id, touch_id, corrects = all_ids
    event = NewEvent(
        event_id=event_id,
        device_id=UUID(int=7),
        device_sequence=sequence,
        subject_kind="unit",
        subject_id=UUID(int=8),
        type="wick.checked",
        schema_version=1,
        occurred_at=at,
        received_at=NOON,
        actor_kind="device",
        actor_id=None,
        payload=payload,
        member_id=member_id,
        visit_id=visit_id,
        touch_id=touch_id,
        corrects=corrects,
    )

    expected = hashlib.sha256(plain_form(event, from_office=from_office)).digest()

    assert log.content_hash(event, from_office=from_office) == expected


def test_a_hash_from_outside_stays_what_it_was(north):
    """Worked by hand: the text below put through ``sha256sum`` of GNU coreutils."""
    event = new_event(
        north,
        7,
        event_id=UUID("01900000-0000-7000-8000-000000000001"),
        device_id=UUID("01900000-0000-7000-8000-000000000002"),
        subject_id=UUID("01900000-0000-7000-8000-000000000003"),
        payload={"condition": "good", "note": "Düse № 3"},
    )
    text = (
        '["01900000-0000-7000-8000-000000000001","01900000-0000-7000-8000-000000000002",7,"unit",'
        '"01900000-0000-7000-8000-000000000003","wick.checked",1,"2026-06-15T12:00:00.000000+00:00",'
        'null,null,null,null,{"condition":"good","note":"Düse № 3"}]'
    )

    assert plain_form(event, from_office=False).decode() == text
    assert (
        log.content_hash(event, from_office=False).hex()
        == "a19a3ae7959aa7856cd43330dd18b52c5ba467855a1c0b4b74b8090082cf662e"
    )


# Append


def test_what_was_appended_is_read_as_it_was_sent(north):
    full = new_event(
        north,
        1,
        occurred_at=NOON.astimezone(timezone(timedelta(hours=2))) + timedelta(microseconds=123_456),
        member_id=uuid7(),
        visit_id=uuid7(),
        touch_id=uuid7(),
        corrects=uuid7(),
        payload={"b": 2**53, "a": [None, True, {"ü": '№ \\ " \n \U0001f6bd'}], "": "0.250"},
    )
    bare = new_event(north, 2, actor_id=None, actor_kind="program", subject_kind="site", payload={})

    with tenancy.writing(north.crew_phone):
        fates = log.append([full, bare])
        rows = log.events_after(0)
        # No fold could read them, and other tests fold all there is.
        transaction.set_rollback(True)

    names = [field.name for field in dataclasses.fields(NewEvent)]
    assert [fate.fate for fate in fates] == ["accepted", "accepted"]
    assert [row.position for row in rows] == [fate.position for fate in fates]
    assert [[getattr(row, name) for name in names] for row in rows] == [
        [getattr(event, name) for name in names] for event in (full, bare)
    ]
    assert [log.content_hash(row, from_office=False) for row in rows] == [row.content_hash for row in rows]


def test_positions_follow_the_devices_own_numbering(north):
    third, first, second = new_event(north, 3), new_event(north, 1), new_event(north, 2)

    fates = append(north, third, first, second)

    assert [fate.device_sequence for fate in fates] == [3, 1, 2]
    assert [row.event_id for row in stored(north)] == [first.event_id, second.event_id, third.event_id]
    assert {fate.event_id: fate.position for fate in fates} == {
        row.event_id: row.position for row in stored(north)
    }


def test_each_event_of_a_batch_meets_its_own_fate(north):
    old = new_event(north, 1)
    other_words = dataclasses.replace(old, payload={"condition": "worn"})
    taken = new_event(north, 1)
    fresh = new_event(north, 2)
    known = append(north, old)[0]

    fates = append(north, taken, old, fresh, other_words, fresh)

    assert [fate.fate for fate in fates] == [
        "sequence_taken",
        "duplicate",
        "accepted",
        "conflict",
        "duplicate",
    ]
    assert [fate.position for fate in fates] == [
        None,
        known.position,
        fates[2].position,
        None,
        fates[2].position,
    ]
    assert [row.event_id for row in stored(north)] == [old.event_id, fresh.event_id]


def test_of_two_with_one_id_in_a_batch_the_first_is_stored(north):
    said = new_event(north, 1)
    unsaid = dataclasses.replace(said, payload={"condition": "worn"})

    fates = append(north, said, unsaid, said)

    assert [fate.fate for fate in fates] == ["accepted", "conflict", "duplicate"]
    assert [row.payload for row in stored(north)] == [said.payload]


def test_a_batch_sent_again_writes_nothing(north):
    events = [new_event(north, number) for number in range(1, 6)]
    first = append(north, *events)
    before = stored(north)

    again = append(north, *reversed(events))

    assert [fate.fate for fate in again] == ["duplicate"] * 5
    assert [fate.position for fate in reversed(again)] == [fate.position for fate in first]
    assert stored(north) == before


def test_the_office_is_numbered_by_the_log(north):
    office = uuid7()
    first = new_event(north, None, device_id=office)
    second = new_event(north, None, device_id=office)
    third = new_event(north, None, device_id=office)

    one = append(north, first)
    more = append(north, first, second, third)

    assert [(fate.fate, fate.device_sequence) for fate in one] == [("accepted", 1)]
    assert [fate.fate for fate in more] == ["duplicate", "accepted", "accepted"]
    assert [row.device_sequence for row in stored(north)] == [
        1,
        more[1].device_sequence,
        more[2].device_sequence,
    ]
    assert more[1].device_sequence < more[2].device_sequence
    assert [log.content_hash(row, from_office=True) for row in stored(north)] == [
        row.content_hash for row in stored(north)
    ]


def test_an_empty_batch_is_no_append(north):
    assert append(north) == []


def test_a_bad_line_sinks_its_whole_batch(north):
    good, bad = new_event(north, 1), new_event(north, 0)

    with pytest.raises(Exception, match="device_sequence_check"):
        append(north, good, bad)

    assert stored(north) == []


# Locks


@pytest.fixture
def held(superuser: psycopg.Connection[Any]) -> Any:
    """Holds an advisory lock in another session until the test ends."""

    def hold(statement: str, *values: Any) -> None:
        superuser.execute("BEGIN")
        superuser.execute(statement, values)

    yield hold
    superuser.execute("ROLLBACK")


OPERATOR_LOCK = "SELECT pg_advisory_xact_lock(hashtextextended(%s, 0))"


def append_soon(cast: Cast) -> None:
    with tenancy.writing(cast.crew_phone, lock_timeout_ms=50):
        log.append([new_event(cast, 1)])


def test_an_append_waits_for_its_operator_no_longer_than_it_may(north, south, held):
    held(OPERATOR_LOCK, str(north.operator.id))

    with pytest.raises(OperationalError) as refusal:
        append_soon(north)
    append_soon(south)

    assert isinstance(refusal.value.__cause__, psycopg.errors.LockNotAvailable)
    assert stored(north) == []
    assert len(stored(south)) == 1


def test_an_append_waits_for_a_swap_of_projections(north, held):
    held("SELECT pg_advisory_xact_lock(%s)", log.PROJECTION_LOCK)

    with pytest.raises(OperationalError) as refusal:
        append_soon(north)

    assert isinstance(refusal.value.__cause__, psycopg.errors.LockNotAvailable)


def test_an_append_keeps_both_locks_until_it_commits(north, superuser):
    with tenancy.writing(north.crew_phone):
        log.append([new_event(north, 1)])
        during = locks_free(superuser, north)
    after = locks_free(superuser, north)

    assert (during, after) == ((False, False), (True, True))


def locks_free(superuser: psycopg.Connection[Any], cast: Cast) -> Any:
    with superuser.transaction():
        return superuser.execute(
            "SELECT pg_try_advisory_xact_lock(%s), pg_try_advisory_xact_lock(hashtextextended(%s, 0))",
            [log.PROJECTION_LOCK, str(cast.operator.id)],
        ).fetchone()


# Reading


def test_pages_give_every_event_once_and_in_order(north):
    append(north, *[new_event(north, number) for number in range(1, 8)])

    with north.reading():
        pages = list(log.pages_after(0, size=3))
        rest = log.events_after(pages[0][-1].position, upto=pages[1][-1].position)

    assert [len(page) for page in pages] == [3, 3, 1]
    assert [row.device_sequence for page in pages for row in page] == [1, 2, 3, 4, 5, 6, 7]
    assert rest == pages[1]


def test_the_log_is_written_and_read_where_it_is_whatever_the_path(north):
    with tenancy.writing(north.crew_phone), connection.cursor() as cursor:
        cursor.execute("SET LOCAL search_path = pg_catalog")
        log.append([new_event(north, 1)])
        rows = log.events_after(0)

    assert len(rows) == 1


def test_the_log_reads_nothing_of_another_operator(north, south):
    append(north, new_event(north, 1))

    assert stored(south) == []
