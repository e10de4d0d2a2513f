"""``/service/``: for people of the service alone, and what it makes of what it finds."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.conf import settings

from accounts import clock, jobs, tenancy
from accounts.ids import uuid7
from accounts.jobs import Sign
from accounts.models import Job, User
from accounts.permissions import Role
from config import service, service_page
from servicing.queries.rebuilds import REBUILD
from tests.cast import _user
from tests.pages.test_support import looking
from tests.pages.visitors import Visitor, signed_in, text_of


@pytest.fixture(autouse=True)
def _own_state(monkeypatch):
    monkeypatch.setattr(service._Kept, "state", None)


@pytest.fixture
def helper(database) -> User:
    from accounts.commands import support

    person = _user(f"help-{uuid7().hex[-10:]}@service.example", "Helps Out")
    return support.make_support_person(email=person.email, name=person.name)


def test_it_is_for_people_of_the_service_with_a_second_factor(north, helper):
    signed_out = Visitor().get("/service/")
    assert (signed_out.status_code, signed_out["Location"]) == (302, "/sign-in/?next=%2Fservice%2F")
    for role in (Role.OWNER, Role.DISPATCHER, Role.VIEWER):
        answer = signed_in(north, role).get("/service/")
        assert answer.status_code == 404
        assert "What is owed" not in text_of(answer)
    without = Visitor()
    without.force_login(helper)
    assert without.get("/service/").status_code == 403
    visitor = looking(helper)
    assert visitor.get("/service/").status_code == 200

    helper.is_support = False
    helper.save(update_fields=["is_support"])
    assert visitor.get("/service/").status_code == 404


def test_it_says_what_is_owed_and_what_needs_a_look(north, helper):
    now = clock.now()
    jobs.beat(jobs.RELAY, claimed=3)
    with tenancy.writing(north.owner):
        jobs.enqueue(kind="tests.late", dedup_key="1", run_at=now - timedelta(minutes=20))
        jobs.enqueue(kind="tests.poison", dedup_key="1", run_at=now)
        poison = Job.objects.filter(kind="tests.poison")
        poison.update(quarantined_at=now, last_error="what Somebody wrote")

    answer = looking(helper).get("/service/")
    said = text_of(answer)

    assert "things need a look" in said
    assert "tests.late is due for 20 min and no worker has it." in said
    assert "tests.poison" in said
    assert "Jobs in quarantine: " in said
    # No word of what a job was about: that is the operator's, on its own page.
    assert "Somebody" not in said
    assert f"{north.operator.name} /{north.operator.slug}/ late" in said
    assert "relay claimed 3" in said
    assert f"PostgreSQL {service.found().server.version}" in said
    assert b'http-equiv="refresh" content="15"' in answer.content


def test_it_speaks_german(north, helper):
    visitor = looking(helper)

    said = text_of(visitor.get("/service/", headers={"Accept-Language": "de"}))

    assert "Was ansteht" in said
    assert "Betreiber" in said
    assert "What is owed" not in said


def test_it_shows_how_far_a_rebuild_is_and_that_one_broke_off(helper, monkeypatch):
    told = {"version": 7, "started_at": clock.now().isoformat(), "done": 3, "of": 12, "events": 4_500}
    try:
        jobs.beat(REBUILD, state="running", doing="3 of 12 operators", **told)
        said = text_of(looking(helper).get("/service/"))
        assert "Version 7 is going on: 3 of 12 operators, 4,500 events folded." in said
        # A rebuild is no part that works all the time: the signs of one that ended long ago are not late.
        assert "rebuild did nothing" not in said

        jobs.beat(REBUILD, state="broken", doing="", **told)
        monkeypatch.setattr(service._Kept, "state", None)
        said = text_of(looking(helper).get("/service/"))
        assert "Version 7 broke off: 3 of 12 operators" in said
        assert "Go on with manage.py rebuild --resume." in said
    finally:
        jobs.forget_signs(older_than=timedelta(seconds=-1))


def test_a_server_that_is_away_is_said_first(helper, monkeypatch):
    monkeypatch.setattr(settings, "REDIS_URL", "redis://127.0.0.1:1/0")
    said = text_of(looking(helper).get("/service/"))
    assert "Redis does not answer. What is owed waits in the database until it does." in said

    monkeypatch.setattr(service, "state", lambda: service.State(at=clock.now(), seconds=0))
    said = text_of(looking(helper).get("/service/"))
    assert "1 thing needs a look. The database does not answer. Nothing can be stored." in said


def test_nothing_needs_a_look_where_all_is_done(monkeypatch):
    now = clock.now()
    calm = service.State(
        at=now,
        seconds=0,
        server=service.Server("18", 100, {}, 0),
        queues=service.Queues({}, 0, "9"),
        signs=[Sign("tick", now, 12, {})],
    )

    assert service_page.troubles_of(calm) == []


@pytest.mark.parametrize(
    ("count", "said"),
    [(0, "0 s"), (119, "119 s"), (120, "2 min"), (7_199, "119 min"), (7_200, "2 h"), (172_800, "2 d")],
)
def test_a_time_is_said_in_the_largest_unit_that_says_enough(count, said):
    assert service_page.seconds(count) == said


def test_it_costs_some_statements_an_operator_and_is_kept_for_a_while(north, south, helper, monkeypatch):
    asked = []
    monkeypatch.setattr(service, "found", lambda: asked.append(1) or service.State(at=clock.now(), seconds=0))
    visitor = looking(helper)

    for _ in range(3):
        visitor.get("/service/")

    assert len(asked) == 1
