"""The dispatcher's page answers where to send somebody now."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django.db import connection
from django.test.utils import CaptureQueriesContext

from accounts.commands import customers
from accounts.permissions import Role
from servicing.commands.sweeps import sweep
from tests.cast import NOON, Cast
from tests.pages.visitors import signed_in, text_of


def add_site(cast: Cast, code: str, name: str) -> Any:
    site = {"customer_id": cast.customer.id, "code": code, "name": name, "kind": "office"}
    return customers.add_sites(actor=cast.owner, sites=[{**site, "zone": "Europe/Berlin"}])[0]


def test_the_opening_sentence_names_the_worst_site(north: Cast) -> None:
    # 280 mL at the nominal 8 mL a day last 35 days, so a filling of 1 May is gone on 5 June.
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    page = signed_in(north, Role.DISPATCHER).get(f"/{north.operator.slug}/")
    assert page.status_code == 200
    assert "Monday 15 June 2026. 1 unit drips no more or will be dry by Thu 18 Jun" in text_of(page)
    assert "the worst is Marl Quay School, 1 unit not dripping since Fri 5 Jun." in text_of(page)


def test_nothing_wrong_is_said_in_one_sentence(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=1)))
    page = signed_in(north, Role.DISPATCHER).get(f"/{north.operator.slug}/")
    assert "Nothing is dry, late or leaking, and nothing is due today." in text_of(page)


def test_a_leak_comes_before_any_number_of_dry_days(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=60)))
    other = add_site(north, "S2", "Ostrel Mill")
    north.upload(north.event("report.received", other, kind="leak"))
    page = signed_in(north, Role.DISPATCHER).get(f"/{north.operator.slug}/")
    body = text_of(page)
    assert "1 leak or chemical report is open: go there first." in body
    assert "the worst is Ostrel Mill." in body
    table = page.content.decode().partition("<tbody")[2]
    assert table.index("Ostrel Mill") < table.index("Marl Quay School")
    assert "never bring acid near bleach" in body


def test_the_filters_keep_what_was_asked_for_only(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    visitor = signed_in(north, Role.DISPATCHER)
    of_crew = text_of(visitor.get(f"/{north.operator.slug}/", {"crew": str(north.crew.id), "about": "dry"}))
    assert "1 site of this kind, the worst first" in of_crew
    of_nobody = text_of(visitor.get(f"/{north.operator.slug}/", {"crew": "none"}))
    assert "No site is of this kind today." in of_nobody


def test_sites_with_nothing_but_wicks_to_watch_are_shown_when_asked_for(north: Cast) -> None:
    # The wick is watched from 420 days of age; the cartridge was exchanged yesterday.
    north.upload(north.installed(at=NOON - timedelta(days=421)))
    north.upload(north.exchanged(at=NOON - timedelta(days=1), cartridge_left_ml=None))
    visitor = signed_in(north, Role.DISPATCHER)
    assert "Nothing is dry, late or leaking" in text_of(visitor.get(f"/{north.operator.slug}/"))
    asked = text_of(visitor.get(f"/{north.operator.slug}/", {"about": "wick"}))
    assert "1 wick to watch." in asked


def test_alert_numbers_agree_with_the_table_after_a_sweep(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    sweep(actor=north.dispatcher)
    visitor = signed_in(north, Role.DISPATCHER)
    body = text_of(visitor.get(f"/{north.operator.slug}/"))
    assert "1 dry soon" in body
    assert "1 past grace" in body
    assert "Nobody has taken note of 2 of them." in body


def test_a_closed_site_is_not_late(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    north.upload(
        north.event(
            "standstill.began",
            north.site,
            starts_on=date(2026, 6, 1),
            ends_on=date(2026, 8, 20),
            billing="none",
        )
    )
    body = text_of(signed_in(north, Role.DISPATCHER).get(f"/{north.operator.slug}/"))
    assert "Nothing is dry, late or leaking" in body


def test_the_number_of_queries_does_not_grow_with_units_and_sites(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    visitor = signed_in(north, Role.DISPATCHER)
    visitor.get(f"/{north.operator.slug}/")
    with CaptureQueriesContext(connection) as with_few:
        visitor.get(f"/{north.operator.slug}/")
    for number in range(2, 30):
        add_site(north, f"S{number}", f"Site {number}")
    north.upload(
        *(north.installed(unit, NOON - timedelta(days=40), station=n) for n, unit in enumerate(north.units))
    )
    with CaptureQueriesContext(connection) as with_many:
        visitor.get(f"/{north.operator.slug}/")
    assert len(with_many) == len(with_few)
    assert len(with_many) <= 20, [query["sql"][:80] for query in with_many]
