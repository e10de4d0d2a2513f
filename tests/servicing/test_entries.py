"""Codes of sites: sealed, shown on the day to the crew that goes there, each showing noted, and readable nowhere else."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from uuid import uuid4
from zoneinfo import ZoneInfo

import pytest
from django.db import connections

from accounts import clock
from accounts.commands import crews, operators
from accounts.errors import BadInput, Conflict, Forbidden, NotFound, TooMany
from accounts.ids import uuid7
from accounts.permissions import ROLE_PERMISSIONS, Permission, Role
from servicing.commands.entries import set_code, show_code, strike_code
from servicing.commands.planning import call_off_visit, move_visit
from servicing.queries import entries
from servicing.rules.entries import MOST_AT_A_SITE, MOST_SHOWINGS, gives_away, is_on, seconds_left
from tests.cast import NOON, new_cast
from tests.servicing.coded import CODE, TODAY, kept, planned, show

# The rule


@pytest.mark.parametrize(
    ("begins_at", "minutes", "local", "is_shown"),
    [
        (None, 30, "2026-06-15T00:00:00", True),
        (None, 30, "2026-06-15T23:59:59", True),
        (None, 30, "2026-06-16T00:00:00", False),
        (None, 30, "2026-06-14T23:59:59", False),
        (time(8), 60, "2026-06-15T22:00:00", True),
        (time(23, 30), 60, "2026-06-16T00:29:59", True),
        (time(23, 30), 60, "2026-06-16T00:30:00", False),
        (time(23, 30), 20, "2026-06-16T00:00:00", False),
        (time(23, 30), 60, "2026-06-17T00:10:00", False),
        (time(0, 10), 60, "2026-06-14T23:59:00", False),
    ],
)
def test_a_visit_is_on_through_its_day_and_past_midnight_while_it_lasts(begins_at, minutes, local, is_shown):
    for zone in ("Europe/Berlin", "Pacific/Auckland"):
        aware = datetime.fromisoformat(local).replace(tzinfo=ZoneInfo(zone))
        assert is_on(TODAY, begins_at, minutes, aware) is is_shown


def test_the_day_ends_by_the_zones_own_clock():
    """Berlin puts its clocks on at 2:00 on 2026-03-29 and back at 3:00 on 2026-10-25 (Directive 2000/84/EC)."""
    zone = ZoneInfo("Europe/Berlin")

    assert seconds_left(datetime(2026, 3, 29, 0, 0, tzinfo=zone)) == 23 * 3600
    assert seconds_left(datetime(2026, 10, 25, 0, 0, tzinfo=zone)) == 25 * 3600


@pytest.mark.parametrize(
    ("label", "code", "does"),
    [
        ("Key box 7731", "7731", True),
        ("Key box 77 31", "7731", True),
        ("Key box 77-31", "7731", True),
        ("Key box 7731", "77-31#", True),
        ("Key box ***", "***", False),
        ("Gate quarz", "QUARZ", True),
        ("Door 12", "12", False),
        ("Key box", "7731", False),
    ],
)
def test_a_label_that_holds_its_code_is_noticed(label, code, does):
    assert gives_away(label, code) is does


# Whom it is shown to


def test_the_crew_of_the_day_is_shown_a_code_and_each_showing_is_kept(north):
    row = kept(north)
    planned(north)

    first, again = show(north, row), show(north, row, north.actors[Role.CREW_MEMBER])

    assert (first.code, first.label, first.day) == (CODE, "Key box", TODAY)
    assert again.code == CODE
    assert CODE not in repr(first)
    with north.reading():
        lines, showings = entries.code_lines(north.site.id), entries.showings_at(north.site.id)
    # At one instant, in whichever order.
    assert sorted((one.name, one.crew, one.day, one.shown_at) for one in showings) == [
        ("Crew Member", "Crew A", TODAY, NOON),
        (north.phone.label, "Crew A", TODAY, NOON),
    ]
    assert [(one.label, one.set_by) for one in lines] == [("Key box", "Dispatcher")]
    assert lines[0].last.name == showings[0].name


def test_a_showing_is_in_the_audit_without_the_code(north, superuser):
    row = kept(north)
    planned(north)
    show(north, row)

    found = superuser.execute(
        "SELECT action, actor_kind, row_id, about::text, said FROM accounts_auditentry "
        "WHERE operator_id = %s AND kind = 'entry code' AND action = 'shown'",
        [north.operator.id],
    ).fetchall()

    assert [one[:3] for one in found] == [("shown", "device", str(row.id))]
    assert '"site": "S1"' in found[0][3]
    assert CODE not in "".join(found[0][3:])


def test_nobody_else_is_shown_it_and_no_try_is_a_showing(north):
    row = kept(north)
    other = operators.add_crew(actor=north.owner, name="Crew B")
    stranger = replace(north.crew_phone, crew_id=other.id)
    with pytest.raises(Forbidden, match="planned here"):
        show(north, row)
    planned(north)

    for actor in (stranger, replace(north.crew_phone, crew_id=None), north.owner):
        with pytest.raises(Forbidden, match="planned here"):
            show(north, row, actor)
    for role in Role:
        if Permission.ENTRIES_SHOW not in ROLE_PERMISSIONS[role]:
            # Not even as one of the crew.
            with pytest.raises(Forbidden, match="Your role"):
                show(north, row, replace(north.actors[role], crew_id=north.crew.id))
    with north.reading():
        assert entries.showings_at(north.site.id) == []


def test_who_is_of_a_crew_that_works_no_longer_is_shown_nothing(north):
    row = kept(north)
    planned(north)
    other = operators.add_crew(actor=north.owner, name="Crew B")
    crews.stop_crew(actor=north.owner, crew_id=north.crew.id, sites_to=other.id)

    with pytest.raises(Forbidden, match="planned here"):
        show(north, row, north.actors[Role.CREW_MEMBER])


def test_who_may_set_and_who_may_be_shown_is_kept_apart():
    may = {name: {role for role in Role if name in ROLE_PERMISSIONS[role]} for name in Permission}

    assert may[Permission.ENTRIES_MANAGE] == {Role.OWNER, Role.DISPATCHER}
    assert may[Permission.ENTRIES_SHOW] == {Role.OWNER, Role.CREW_MEMBER}


def test_a_visit_moved_called_off_or_given_to_others_shows_nothing_any_more(north):
    row = kept(north)
    plan = planned(north)
    other = operators.add_crew(actor=north.owner, name="Crew B")
    assert show(north, row).code == CODE

    move_visit(actor=north.dispatcher, planned_visit_id=plan.id, day=TODAY, crew_id=other.id)
    with pytest.raises(Forbidden):
        show(north, row)
    assert show(north, row, replace(north.crew_phone, crew_id=other.id)).code == CODE
    move_visit(
        actor=north.dispatcher, planned_visit_id=plan.id, day=TODAY + timedelta(days=1), crew_id=north.crew.id
    )
    with pytest.raises(Forbidden):
        show(north, row)
    move_visit(actor=north.dispatcher, planned_visit_id=plan.id, day=TODAY, crew_id=north.crew.id)
    assert show(north, row).code == CODE
    call_off_visit(actor=north.dispatcher, planned_visit_id=plan.id, reason="customer")
    with pytest.raises(Forbidden):
        show(north, row)


def test_the_day_is_that_of_the_sites_zone(database):
    """14:00 UTC on the 15th is 02:00 on the 16th in Auckland (UTC+12 in June, by the IANA time zone database)."""
    far = new_cast("far", zone="Pacific/Auckland")
    row = kept(far)
    planned(far, TODAY + timedelta(days=1))
    clock.set_to(datetime(2026, 6, 15, 11, 59, 59, tzinfo=UTC))
    with pytest.raises(Forbidden):
        show(far, row)

    clock.set_to(datetime(2026, 6, 15, 12, 0, tzinfo=UTC))

    assert show(far, row).day == date(2026, 6, 16)
    clock.set_to(datetime(2026, 6, 16, 12, 0, tzinfo=UTC))
    with pytest.raises(Forbidden):
        show(far, row)


def test_how_long_a_crew_says_it_took_opens_no_other_day(north):
    row, visit = kept(north), uuid7(NOON - timedelta(days=7))
    made = {"site_id": north.site.id, "outcome": "served", "crew_id": north.crew.id, "minutes": 1_440}
    north.upload(north.event("visit.made", visit, NOON - timedelta(days=7), **made))
    planned(north, begins_at=time(21, 0))
    clock.set_to(datetime(2026, 6, 15, 22, 30, tzinfo=UTC))  # 0:30 in Berlin
    assert show(north, row).day == TODAY

    clock.set_to(datetime(2026, 6, 15, 23, 1, tzinfo=UTC))

    with pytest.raises(Forbidden):
        show(north, row)


def test_a_visit_through_midnight_is_that_of_its_day(north):
    row = kept(north)
    planned(north, begins_at=time(23, 30), minutes=60)
    # Summer time in Berlin is UTC+2.
    clock.set_to(datetime(2026, 6, 15, 22, 29, tzinfo=UTC))

    assert show(north, row).day == TODAY

    clock.set_to(datetime(2026, 6, 15, 22, 30, tzinfo=UTC))
    with pytest.raises(Forbidden):
        show(north, row)


# How often


def test_a_crew_is_shown_thirty_a_day_and_then_calls_the_office(north, later):
    row = kept(north)
    planned(north)
    for _ in range(MOST_SHOWINGS):
        show(north, row)

    with pytest.raises(TooMany, match="30 codes today") as refused:
        show(north, row)

    assert refused.value.retry_after_seconds == 10 * 3600  # from 14:00 in Berlin
    with north.reading():
        assert entries.showings_on(north.crew.id, TODAY) == MOST_SHOWINGS
    later(days=1)
    planned(north, TODAY + timedelta(days=1))
    assert show(north, row).code == CODE


def test_two_at_once_do_not_both_get_the_last_one(north):
    row = kept(north)
    planned(north)
    for _ in range(MOST_SHOWINGS - 2):
        show(north, row)

    def once(_number):
        try:
            with clock.playing(NOON):
                return show(north, row).code
        except TooMany:
            return ""
        finally:
            connections.close_all()

    with ThreadPoolExecutor(6) as pool:
        found = list(pool.map(once, range(6)))

    assert found.count(CODE) == 2
    with north.reading():
        assert entries.showings_on(north.crew.id, TODAY) == MOST_SHOWINGS


# Setting, replacing, striking


def test_a_code_that_is_replaced_or_struck_is_gone_for_good(north, superuser):
    first = kept(north)
    planned(north)
    show(north, first)

    second = kept(north, "key  BOX", "Birke 21")
    strike_code(actor=north.dispatcher, site_id=north.site.id, code_id=second.id)
    strike_code(actor=north.dispatcher, site_id=north.site.id, code_id=second.id)

    for row in (first, second):
        with pytest.raises(NotFound):
            show(north, row)
    stored = superuser.execute(
        "SELECT sealed, struck_at FROM servicing_entrysecret WHERE operator_id = %s", [north.operator.id]
    ).fetchall()
    assert stored == [(None, NOON), (None, NOON)]
    with north.reading():
        assert entries.code_lines(north.site.id) == []
        # Whom it was shown to stays.
        assert [(one.label, one.is_kept) for one in entries.showings_at(north.site.id)] == [
            ("Key box", False)
        ]


@pytest.mark.parametrize(
    ("label", "code", "pointers"),
    [
        ("", CODE, ["/label"]),
        ("x" * 61, CODE, ["/label"]),
        ("Key\x00box", CODE, ["/label"]),
        ("Key box", " ", ["/code"]),
        ("Key box", "9" * 121, ["/code"]),
        ("Key box", "77\n31", ["/code"]),
        ("Key box", "77\x0031", ["/code"]),
        ("Box 7731", "7731", ["/label"]),
        ("", "", ["/label", "/code"]),
    ],
)
def test_what_can_not_be_kept_is_pointed_at_and_never_repeated(north, label, code, pointers):
    with pytest.raises(BadInput) as refused:
        kept(north, label, code)

    assert [one.pointer for one in refused.value.errors] == pointers
    if len(code.strip()) > 2:
        assert code not in str([refused.value.detail, refused.value.errors])
    with north.reading():
        assert entries.code_lines(north.site.id) == []


def test_a_site_has_room_for_twenty(north):
    for number in range(MOST_AT_A_SITE):
        kept(north, f"Door {number}")

    with pytest.raises(Conflict, match="20 codes"):
        kept(north, "One more")

    kept(north, "Door 3", "Other 99")
    with north.reading():
        assert len(entries.code_lines(north.site.id)) == MOST_AT_A_SITE


def test_only_owner_and_dispatcher_set_and_strike(north):
    row = kept(north)
    for role in set(Role) - {Role.OWNER, Role.DISPATCHER}:
        with pytest.raises(Forbidden):
            set_code(actor=north.actors[role], site_id=north.site.id, label="Alarm", code=CODE)
        with pytest.raises(Forbidden):
            strike_code(actor=north.actors[role], site_id=north.site.id, code_id=row.id)


def test_a_rivals_site_and_code_are_absent(north, south):
    theirs = kept(south)
    planned(south)
    planned(north)
    own = kept(north)

    for act in (
        lambda: set_code(actor=north.owner, site_id=south.site.id, label="Alarm", code=CODE),
        lambda: strike_code(actor=north.owner, site_id=south.site.id, code_id=theirs.id),
        lambda: strike_code(actor=north.owner, site_id=north.site.id, code_id=theirs.id),
        lambda: show_code(actor=north.crew_phone, site_id=south.site.id, code_id=theirs.id),
        lambda: show_code(actor=north.crew_phone, site_id=north.site.id, code_id=theirs.id),
        lambda: show_code(actor=north.crew_phone, site_id=north.site.id, code_id=uuid4()),
        lambda: show_code(actor=north.crew_phone, site_id=south.site.id, code_id=own.id),
    ):
        with pytest.raises(NotFound):
            act()
    assert show(south, theirs).code == CODE
