"""An operator with nothing is led from the first site to the first visit, one short form a step."""

from __future__ import annotations

from typing import Any

import pytest

from accounts import queries
from accounts.commands import operators
from accounts.ids import uuid7
from accounts.models import Operator
from accounts.permissions import Actor, ActorKind, Role
from accounts.tenancy import reading
from fleet import queries as fleet
from servicing.commands import office
from servicing.queries.beginning import STEPS, first_steps
from tests.cast import PASSWORD, Cast
from tests.pages.visitors import Visitor, signed_in, text_of


class Newcomer:
    """The owner of an operator that has nothing yet, signed in."""

    def __init__(self) -> None:
        slug = f"new-{uuid7().hex[-10:]}"
        self.operator: Operator = operators.create_operator(
            slug=slug,
            name=slug,
            legal_name="New Care",
            currency="USD",
            zone="America/Chicago",
            locale="en-US",
        )
        self.actor = Actor(operator_id=self.operator.id, kind=ActorKind.SYSTEM, role=Role.OWNER)
        user = operators.create_user(email=f"owner@{slug}.example", name="Owner", password=PASSWORD)
        operators.add_member(actor=self.actor, user_id=user.id, role=Role.OWNER, name="Owner")
        operators.change_operator(
            actor=self.actor, name=slug, legal_name="New Care", locale="en-US", measures="us"
        )
        self.visitor = Visitor()
        self.visitor.force_login(user)

    def path(self, rest: str) -> str:
        return f"/{self.operator.slug}/{rest}"

    def page(self, rest: str = "set-up/begin") -> str:
        return text_of(self.visitor.get(self.path(rest)))

    def step(self, which: str, /, **values: Any) -> Any:
        return self.visitor.submit(self.path("set-up/begin"), step=which, **values)

    def next(self) -> str:
        with reading(self.actor):
            return first_steps().next


@pytest.fixture
def newcomer(database: Any) -> Newcomer:
    return Newcomer()


SITE = {
    "customer": "Quay Schools", "country": "US", "name": "Marl Quay School", "kind": "school",
    "interval_months": "1", "starts_on": "2026-06-15",
}  # fmt: skip


def test_six_short_forms_lead_from_nothing_to_the_first_visit(newcomer: Newcomer) -> None:
    assert "There are no sites yet: begin with the first one." in newcomer.page("set-up/")
    assert "six short steps" in newcomer.page()
    assert newcomer.step("site", **SITE).status_code == 302
    assert newcomer.next() == "rooms"
    assert newcomer.step("rooms", name="Ground floor", urinals="2", water_closets="1").status_code == 302
    supplies = {"liquid": "Scale remover", "family": "acid", "volume_ml": "9.5", "lasts_days": "35"}
    page = newcomer.page()
    assert "Done: units can hang there." in page
    assert "hypochlorite" in page or "bleach" in page
    assert newcomer.step("supplies", **supplies, model="Wall unit", reservoir_ml="1.35").status_code == 302
    assert newcomer.next() == "labels"
    assert newcomer.step("labels", count="3").status_code == 302
    assert newcomer.next() == "install"
    _hang_first(newcomer)
    assert newcomer.next() == "visit"
    assert "One step is left until the first visit is recorded." in newcomer.page()
    with reading(newcomer.actor):
        site, cartridge = queries.sites().get(), fleet.cartridges().get()
        agreement = queries.agreements().get()
    # 9.5 US fl oz are 280.95 mL (one is 29.5735295625 mL, NIST Handbook 44); over 35 days that is 8.029 mL a day.
    assert (cartridge.volume_ml, str(cartridge.nominal_dose_ml_per_day)) == (281, "8.029")
    assert (site.code, site.zone, agreement.number, agreement.interval_months) == (
        "S1",
        "America/Chicago",
        "A1",
        1,
    )


def _hang_first(newcomer: Newcomer) -> None:
    with reading(newcomer.actor):
        unit, cartridge = fleet.units().first(), fleet.cartridges().get()
        station = fleet.stations_of_site(queries.sites().get().id)[0]
    assert unit is not None
    payload = {
        "station_id": str(station.station_id),
        "cartridge_id": str(cartridge.id),
        "charge_ml": 281,
        "wick": "new",
    }
    subject = {"kind": "unit", "id": str(unit.id)}
    event = {"type": "unit.installed", "subject": subject, "payload": payload}
    office.record_events(actor=newcomer.actor, events=[event])


def test_what_is_wrong_is_said_beside_the_field_and_nothing_is_half_made(newcomer: Newcomer) -> None:
    wrong = newcomer.step("site", **{**SITE, "name": "", "interval_months": "13"})
    assert wrong.status_code == 422
    page = wrong.content.decode()
    assert 'id="site_name_error"' in page
    assert 'id="site_interval_months_error"' in page
    assert 'value="Quay Schools"' in page
    far = newcomer.step("site", **{**SITE, "starts_on": "2999-01-01"})
    assert far.status_code == 400
    assert 'id="site_starts_on_error"' in far.content.decode()
    with reading(newcomer.actor):
        assert not queries.customers().exists()
    assert newcomer.step("site", **SITE).status_code == 302
    none = newcomer.step("rooms", name="Ground floor", urinals="0", water_closets="0")
    assert none.status_code == 422
    assert newcomer.step("dance").status_code == 404


def test_the_empty_pages_lead_to_the_first_steps(newcomer: Newcomer) -> None:
    for page in ("", "sites/", "set-up/", "set-up/customers/", "set-up/sites/", "set-up/standstills/"):
        body = newcomer.visitor.get(newcomer.path(page)).content.decode()
        assert newcomer.path("set-up/begin") in body, page


def test_where_work_goes_on_no_step_is_left_and_who_may_not_set_up_is_not_led(north: Cast) -> None:
    north.upload(north.installed())
    made = {"site_id": north.site.id, "crew_id": north.crew.id, "outcome": "served"}
    north.upload(north.event("visit.made", uuid7(), **made))
    with north.reading():
        assert first_steps().done == frozenset(STEPS)
    assert "All first steps are done" in text_of(
        signed_in(north, Role.OWNER).get(f"/{north.operator.slug}/set-up/begin")
    )
    for role in (Role.VIEWER, Role.CREW_MEMBER, Role.BOOKKEEPER):
        assert signed_in(north, role).get(f"/{north.operator.slug}/set-up/begin").status_code == 403
