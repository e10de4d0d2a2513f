"""A rival's rows at the doors of the API, for an owner and a program; and that the probes would notice what they look for.

The drill ``isolation.probing`` asks for everybody; here is what each change must hold to.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import psycopg
import pytest

from accounts.api import customers
from accounts.errors import Forbidden
from config import embedded
from tests.probes import ground
from tests.probes.asking import Ask, Probe, Seen
from tests.probes.ground import Ground
from tests.probes.judging import Judge
from tests.probes.matrix import shown
from tests.probes.routes import all_routes, mismatches, operations
from tests.probes.ways import addresses, bodies, credentials, lists

TWO = ("owner", "program")
ROUTES = [one for one in all_routes() if one.is_api and one.permissions]
SITE = next(one for one in ROUTES if one.name == "api-site")


@pytest.fixture(scope="module")
def here(database: embedded.Servers) -> Iterator[Ground]:
    with ground.made(database.superuser_url) as made:
        yield made


@pytest.fixture
def judge(here: Ground) -> Judge:
    return Judge(here)


def found(judge: Judge) -> list[str]:
    return shown([*judge.findings, *judge.changed])


def at_a_site(here: Ground) -> Probe:
    """A rival's site by its id."""
    return next(addresses.foreign_ids(here, SITE, "GET", ("owner",)))


# What is asked


def test_the_description_and_the_routes_know_the_same_doors() -> None:
    assert mismatches() == []
    assert len(operations()) > 170


def test_for_each_part_of_an_address_and_each_field_there_is_a_rivals_row(here: Ground) -> None:
    assert addresses.unmapped(all_routes(), here) == []
    assert bodies.unknown_kinds(here) == []


def test_a_rivals_id_at_each_door_is_nobodys_and_changes_nothing(here: Ground, judge: Judge) -> None:
    for route in ROUTES:
        for method in route.permissions:
            judge.ask_all(route.name, addresses.foreign_ids(here, route, method, TWO))
            judge.ask_all(route.name, addresses.foreign_operator(here, route, method, ("owner",)))

    assert found(judge) == []
    doors = {(route.name, method) for route in ROUTES for method in route.permissions}
    assert doors - judge.covered == set()


def test_nobody_without_a_good_credential_is_let_in(here: Ground, judge: Judge) -> None:
    strangers = credentials.strangers(here.full)
    for number, route in enumerate(ROUTES):
        few = [strangers[(number + one) % len(strangers)] for one in range(2)]
        for method in route.permissions:
            judge.ask_all(route.name, credentials.unknown_callers(here, route, method, few))

    assert found(judge) == []
    assert len(judge.callers) == len(strangers) > 12


def test_a_rivals_row_in_each_field_of_a_body_is_looked_up_and_not_there(here: Ground, judge: Judge) -> None:
    for operation in operations():
        judge.ask_all(operation.name, bodies.foreign_references(here, operation, TWO))

    assert found(judge) == []
    assert judge.tried - judge.reached == set()
    assert len(judge.reached) > 30


def test_a_rivals_ids_and_cursors_find_nothing_in_a_list(here: Ground, judge: Judge) -> None:
    for operation in operations():
        if operation.method == "GET":
            judge.ask_all(operation.name, lists.foreign_filters(here, operation, TWO))
            judge.ask_all(operation.name, lists.foreign_cursors(here, operation, ("owner",)))
            judge.ask_all(operation.name, lists.own_lists(here, operation, ("owner",)))

    assert found(judge) == []
    assert {"a rival's id in a filter", "a rival's cursor", "what is one's own"} == set(judge.ways)


# What would be noticed


def answered(judge: Judge, seen: Seen, twin: Seen | None, said: str = "S1") -> list[str]:
    ask = Ask("GET", "/api/v1/sites", (said,))
    probe = Probe(
        "api-sites", "a test", judge.ground.full.owner, ask, ask if twin else None, frozenset({404})
    )
    return [what.split(":")[0] for what in judge.wrong(probe, seen, twin)]


def test_an_answer_that_tells_more_than_an_absent_things_is_noticed(here: Ground, judge: Judge) -> None:
    rival, absent = here.south, Seen(404, '{"detail": "There is none."}', {})
    words = [str(rival.cast.site.id), str(rival.cast.unit.code), rival.cast.site.name, rival.slug]

    assert answered(judge, absent, absent) == []
    for word in words:
        assert answered(judge, Seen(404, f'"{word}"', {}), None) == ["tells of a rival"]
        assert answered(judge, Seen(404, "", {"Location": f"/{word}/"}), None) == ["tells of a rival"]
    assert answered(judge, Seen(404, f'"{words[0]}"', {}), None, said=words[0]) == []
    assert answered(judge, replace(absent, text='{"detail": "Not yours."}'), absent) == [
        "not as for what is absent"
    ]
    assert answered(judge, Seen(403, "", {}), None) == ["answered 403, not [404]"]
    assert answered(judge, Seen(500, "", {}), None) == ["answered 500"]


def test_a_door_that_tells_a_rivals_row_from_none_is_noticed(
    here: Ground, judge: Judge, monkeypatch: pytest.MonkeyPatch
) -> None:
    site, row = here.south.cast.site, customers.SiteDoor.row

    def telling(view: Any, site_id: Any) -> Any:
        if site_id == site.id:
            raise Forbidden("That is another's.")
        return row(view, site_id)

    monkeypatch.setattr(customers.SiteDoor, "row", telling)
    judge.ask_all("api-site", [at_a_site(here)])

    assert [one.what.split(":")[0] for one in judge.findings] == [
        "answered 403, not [404]",
        "not as for what is absent",
    ]


def test_a_door_that_shows_a_rivals_row_is_noticed(
    here: Ground, judge: Judge, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(customers.SiteDoor, "row", lambda view, site_id: here.south.cast.site)
    judge.ask_all("api-site", [at_a_site(here)])

    assert any("tells of a rival" in one.what for one in judge.findings)


def test_a_rivals_row_that_changes_is_noticed(
    here: Ground, judge: Judge, superuser: psycopg.Connection[Any]
) -> None:
    probe = at_a_site(here)
    judge.ask_all("before", [probe])
    device = here.south.cast.phone.id
    superuser.execute("UPDATE accounts_device SET label = label || '!' WHERE id = %s", [device])
    judge.ask_all("after", [probe])

    # The audit tells of it too.
    changed = {(one.probe, one.what.split(":")[0]) for one in judge.changed}
    assert changed == {("after", "public.accounts_device"), ("after", "public.accounts_auditentry")}


def test_a_kept_answer_that_another_gets_is_noticed(here: Ground, judge: Judge) -> None:
    kept = Seen(404, "", {"Idempotency-Replayed": "true"})

    assert answered(judge, kept, None) == ["gave a kept answer to another"]
