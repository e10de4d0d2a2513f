"""The dispatcher's page answers where to send somebody now."""

from __future__ import annotations

from collections import Counter
from datetime import date, time, timedelta
from html.parser import HTMLParser
from typing import Any

from django.db import connection
from django.test.utils import CaptureQueriesContext

from accounts import tenancy
from accounts.commands import customers, operators
from accounts.ids import uuid7
from accounts.models import Member
from accounts.permissions import Actor, ActorKind, Role
from servicing.commands import planning
from servicing.commands.sweeps import sweep
from tests.benchmarks.pages.world import Size, fill
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
    assert "1 visit is past grace." in text_of(page)
    assert "The worst is Marl Quay School, 1 unit not dripping since Fri 5 Jun." in text_of(page)


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
    assert "The worst is Ostrel Mill." in body
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
    assert len(with_many) <= 30, [query["sql"][:80] for query in with_many]


def test_a_row_says_who_comes_next_and_what_the_office_noted(north: Cast, later: Any) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    visitor = signed_in(north, Role.DISPATCHER)
    # Due on the 10th of each month; nobody was there since the installation on 1 May.
    assert "was due Sun 10 May" in text_of(visitor.get(f"/{north.operator.slug}/"))
    planning.plan_visit(
        actor=north.dispatcher, site_id=north.site.id, day=date(2026, 6, 16), begins_at=time(9, 30)
    )
    planning.write_note(actor=north.dispatcher, site_id=north.site.id, text="Key at the desk until ten.")
    later(minutes=1)
    planning.write_note(actor=north.dispatcher, site_id=north.site.id, text="Ask at the gate.")
    body = text_of(visitor.get(f"/{north.operator.slug}/"))
    assert "Tue 16 Jun, 09:30, Crew A" in body
    assert "Ask at the gate. and 1 more note" in body


def test_what_a_row_offers_is_what_a_role_may(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    sweep(actor=north.dispatcher)
    path = f"/{north.operator.slug}/"
    back = f"?next=%2F{north.operator.slug}%2F%23site-S1"
    offered = signed_in(north, Role.DISPATCHER).get(path).content.decode()
    assert f'href="{path}sites/S1/write-note{back}" data-key="n"' in offered
    assert (
        f'href="{path}rounds/plan?site=S1&amp;next=%2F{north.operator.slug}%2F%23site-S1" data-key="m"'
        in offered
    )
    assert "Take note</button>" in offered
    plan = planning.plan_visit(actor=north.dispatcher, site_id=north.site.id, day=date(2026, 6, 16))
    offered = signed_in(north, Role.DISPATCHER).get(path).content.decode()
    assert f'href="{path}rounds/visits/{plan.id}/move{back}" data-key="m"' in offered
    assert f'href="{path}rounds/visits/{plan.id}/call-off{back}" data-key="c"' in offered
    for role in (Role.VIEWER, Role.CREW_MEMBER):
        assert "data-key=" not in signed_in(north, role).get(path).content.decode()


def test_note_is_taken_of_all_alerts_of_a_site_and_one_comes_back_to_its_row(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    sweep(actor=north.dispatcher)
    visitor = signed_in(north, Role.DISPATCHER)
    path = f"/{north.operator.slug}/"
    back = f"{path}?about=dry#site-S1"
    answer = visitor.submit(f"{path}lookout/S1/noted", next=back)
    assert (answer.status_code, answer["Location"]) == (302, back)
    shown = visitor.get(path)
    assert "Note was taken of all of them." in text_of(shown)
    assert "Take note</button>" not in shown.content.decode()
    elsewhere = visitor.submit(f"{path}lookout/S1/noted", next="https://elsewhere.example/")
    assert elsewhere["Location"] == path
    assert signed_in(north, Role.VIEWER).submit(f"{path}lookout/S1/noted").status_code == 403
    assert visitor.submit(f"{path}lookout/S9/noted").status_code == 404


def test_the_day_shows_how_far_each_crew_is(north: Cast) -> None:
    other = add_site(north, "S2", "Ostrel Mill")
    for site, hour in ((north.site, 8), (other, 9)):
        planning.plan_visit(
            actor=north.dispatcher,
            site_id=site.id,
            day=date(2026, 6, 15),
            crew_id=north.crew.id,
            begins_at=time(hour, 15),
        )
    visitor = signed_in(north, Role.DISPATCHER)
    assert "Crew A 0 of 2 next 08:15, Marl Quay School" in text_of(visitor.get(f"/{north.operator.slug}/"))
    visit = uuid7()
    north.upload(
        north.event(
            "visit.made",
            visit,
            NOON,
            site_id=north.site.id,
            crew_id=north.crew.id,
            outcome="served",
            minutes=30,
        )
    )
    body = text_of(visitor.get(f"/{north.operator.slug}/"))
    assert "Crew A 1 of 2 next 09:15, Ostrel Mill" in body
    assert "08:00 Crew A: Marl Quay School, served" in body
    assert "09:00 Crew A: Ostrel Mill" in body


def test_an_operator_without_sites_is_told_what_will_stand_here(north: Cast) -> None:
    new = operators.create_operator(
        slug=f"new-{north.operator.slug}", name="New", legal_name="New", currency="EUR", zone="Europe/Berlin"
    )
    first = Actor(new.id, ActorKind.SYSTEM, Role.OWNER)
    user = north.users[Role.DISPATCHER]
    operators.add_member(actor=first, user_id=user.id, role=Role.DISPATCHER, name="Dispatcher")
    body = text_of(signed_in(north, Role.DISPATCHER).get(f"/{new.slug}/"))
    assert "There are no sites yet, so there is nothing to look out for." in body
    assert "The sites that need somebody will stand here, the worst first" in body


def test_five_hundred_late_sites_are_shown_a_page_at_a_time(north: Cast, superuser: Any) -> None:
    fill(superuser, north, Size(sites=640, units=2, late=510, in_grace=80))
    visitor = signed_in(north, Role.OWNER)
    first = visitor.get(f"/{north.operator.slug}/")
    count = counted(first.content.decode())
    assert count["tr[data-site]"] == 60
    assert count["elements"] < 3_000
    # Text between the tags is no element; with it there are fewer than twice as many nodes.
    assert "Places 1 to 60 of" in text_of(first)
    late = visitor.get(f"/{north.operator.slug}/", {"about": "late"})
    assert "505 sites of this kind, the worst first" in text_of(late)
    assert "?about=late&amp;from=61" in late.content.decode()
    last = visitor.get(f"/{north.operator.slug}/", {"about": "late", "from": "481"})
    assert "Places 481 to 505 of 505." in text_of(last)
    assert "?about=late&amp;from=421" in last.content.decode()
    for odd in ("no number", "-3", "9" * 30, "0"):
        assert "Places 1 to 60" in text_of(visitor.get(f"/{north.operator.slug}/", {"from": odd}))


class _Counting(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.count: Counter[str] = Counter()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.count["elements"] += 1
        if tag == "tr" and "data-site" in dict(attrs):
            self.count["tr[data-site]"] += 1


def counted(page: str) -> Counter[str]:
    """Elements of a page, by the parser of Python's standard library."""
    parser = _Counting()
    parser.feed(page)
    return parser.count


def test_it_reads_in_german_with_no_english_left(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    north.upload(north.event("report.received", north.site, kind="chemical"))
    sweep(actor=north.dispatcher)
    with tenancy.writing(north.owner):
        Member.objects.filter(id=north.dispatcher.id).update(locale="de-DE")
    body = text_of(signed_in(north, Role.DISPATCHER).get(f"/{north.operator.slug}/"))
    assert "Montag, 15. Juni 2026." in body
    assert "1 Meldung über ein Leck oder eine Chemikalie ist offen: fahren Sie zuerst dorthin." in body
    assert "1 Besuch ist über der Kulanz." in body
    for word in ("Lookout", "past grace", "Next visit", "Show", "Map", "Updated", "worst", "Hours"):
        assert word not in body, word
