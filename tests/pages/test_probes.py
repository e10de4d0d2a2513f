"""A rival's rows at the pages, for an owner, a viewer and a person of the service; and that a hole would be noticed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from config import embedded
from servicing.pages import links
from tests.probes import ground
from tests.probes.ground import Ground
from tests.probes.judging import Judge
from tests.probes.matrix import shown
from tests.probes.routes import all_routes
from tests.probes.ways import addresses, credentials, forms, open_doors

SOME = ("owner", "support")
ROUTES = [one for one in all_routes() if one.is_of_an_operator and one.permissions]


@pytest.fixture(scope="module")
def here(database: embedded.Servers) -> Iterator[Ground]:
    with ground.made(database.superuser_url) as made:
        yield made


@pytest.fixture
def judge(here: Ground) -> Judge:
    return Judge(here)


def found(judge: Judge) -> list[str]:
    return shown([*judge.findings, *judge.changed])


def test_a_rivals_row_in_each_form_and_link_is_nobodys(here: Ground, judge: Judge) -> None:
    for said in forms.said_on_pages(here):
        judge.ask_all(said.route, forms.foreign_fields(here, said))

    assert found(judge) == []
    assert judge.ways["a rival's row in a form"] > 15
    assert judge.ways["a rival's row in a query"] > 5


def test_a_rivals_codes_and_ids_at_each_page_are_nobodys_and_change_nothing(
    here: Ground, judge: Judge
) -> None:
    for route in ROUTES:
        for method in route.permissions:
            judge.ask_all(route.name, addresses.foreign_ids(here, route, method, SOME))

    assert found(judge) == []
    assert len(judge.covered) > 100


def test_a_rivals_own_pages_are_as_those_of_no_operator(here: Ground, judge: Judge) -> None:
    nobody = [one for one in credentials.strangers(here.pages) if one.name == "nothing"]
    for route in ROUTES:
        for method in route.permissions:
            judge.ask_all(route.name, addresses.foreign_operator(here, route, method, ("viewer", "support")))
            judge.ask_all(route.name, credentials.unknown_visitors(here, route, method, nobody))

    assert found(judge) == []
    doors = {(route.name, method) for route in ROUTES for method in route.permissions}
    assert doors - judge.covered == set()


def test_what_anybody_may_open_tells_nothing_of_a_rival(here: Ground, judge: Judge) -> None:
    for route in all_routes():
        if route.is_open:
            judge.ask_all(route.name, open_doors.open_doors(here, route))

    assert found(judge) == []


def test_a_page_that_finds_a_rivals_site_is_noticed(
    here: Ground, judge: Judge, monkeypatch: pytest.MonkeyPatch
) -> None:
    by_code: Any = links.site_by_code
    theirs = here.whole.cast.site
    monkeypatch.setattr(links, "site_by_code", lambda code: theirs if code == theirs.code else by_code(code))
    site = next(one for one in ROUTES if one.name == "record-links")
    judge.ask_all("record-links", addresses.foreign_ids(here, site, "GET", ("owner",)))

    # What hangs below the site is still looked up as one's own, so the page is not made; but it says something else.
    assert [one.what.split(":")[0] for one in judge.findings] == ["not as for what is absent"]
