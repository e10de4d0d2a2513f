"""Putting a unit up, moving it and taking it down by form, the place checked before."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from uuid import uuid4

from accounts.commands.customers import add_sites
from accounts.ids import uuid7
from accounts.permissions import Role
from fleet import commands
from fleet.models import Station
from servicing.events.types import PlacementChecked
from servicing.queries import fleet_state, placement
from tests.cast import NOON, Cast
from tests.pages.visitors import signed_in, text_of


def install_form(cast: Cast, **rest: Any) -> dict[str, Any]:
    return {
        "work": str(uuid7()),
        "station": str(cast.stations[0].id),
        "label": cast.unit.code,
        "cartridge": str(cast.cartridge.id),
        "charge": "",
        "wick": "new",
        "bowl_product": "neutral",
        "at": "2026-06-15T13:00",
        **rest,
    }


def installing(cast: Cast, code: str = "S1") -> str:
    return f"/{cast.operator.slug}/sites/{code}/install"


def view_of(cast: Cast, number: int = 0) -> Any:
    with cast.reading():
        return fleet_state.get_unit_view(cast.units[number].id)


def checked(cast: Cast) -> list[tuple[str, str | None]]:
    with cast.reading():
        noted = [event.payload for event in placement.site_notes(cast.site.id)]
    return [(one.outcome, one.bowl_product) for one in noted if isinstance(one, PlacementChecked)]


def test_a_unit_is_installed_full_at_the_sites_own_time(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    page = visitor.get(installing(north))
    assert "At Marl Quay School 3 of 3 stations are empty." in text_of(page)
    assert "silica" in text_of(page)
    assert "asbestos" in text_of(page)
    assert f'<option value="{north.unit.code}">' in page.content.decode()
    spelt = f"{north.unit.code[:3].lower()} {north.unit.code[3:]}"
    answer = visitor.submit(installing(north), **install_form(north, label=spelt))
    assert answer["Location"] == f"{installing(north)}?done={north.unit.code}"
    history = view_of(north).history
    assert (history.charge_ml, history.wick_since is not None) == (280, True)
    # One o'clock in summer in Berlin is eleven in UTC.
    assert history.installed_at == "2026-06-15T11:00:00.000000+00:00"
    assert f"Unit {north.unit.code} hangs now." in text_of(visitor.get(answer["Location"]))
    assert checked(north) == [("meets", "neutral")]


def test_a_form_sent_twice_installs_once(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    form = install_form(north, charge="250", wick="unknown")
    assert visitor.submit(installing(north), **form).status_code == 302
    assert visitor.submit(installing(north), **form).status_code == 302
    view = view_of(north)
    assert (view.history.charge_ml, view.history.findings, view.history.wick_since) == (250, [], None)


def test_an_acid_goes_nowhere_beside_hypochlorite(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    form = install_form(north, bowl_product="hypochlorite")
    refused = visitor.submit(installing(north), **form)
    assert refused.status_code == 409
    assert "Do not hang it there" in text_of(refused)
    assert "chlorine gas" in text_of(refused)
    assert view_of(north).status == "printed"
    with north.reading():
        blocked = placement.blocked_stations(placement.site_notes(north.site.id))
    assert [one.station_id for one in blocked] == [north.stations[0].id]
    unsure = visitor.submit(installing(north), **{**form, "bowl_product": "unknown"})
    assert (unsure.status_code, "Ask them before an acid hangs there" in text_of(unsure)) == (409, True)
    assert view_of(north).status == "printed"
    # The cleaners' product was changed: the same form goes through with the new answer.
    assert visitor.submit(installing(north), **{**form, "bowl_product": "none"}).status_code == 302
    assert view_of(north).history.is_installed


def test_a_neutral_liquid_may_hang_where_bleach_is_used(north: Cast) -> None:
    liquid = commands.add_liquid(actor=north.owner, name="Neutral", family="neutral")
    mild = commands.add_cartridge(
        actor=north.owner,
        code="N",
        name="N",
        liquid_id=liquid.id,
        volume_ml=200,
        nominal_dose_ml_per_day=north.cartridge.nominal_dose_ml_per_day,
    )
    form = install_form(north, bowl_product="hypochlorite", cartridge=str(mild.id))
    assert signed_in(north, Role.DISPATCHER).submit(installing(north), **form).status_code == 302
    assert view_of(north).history.charge_ml == 200


def test_what_nobody_could_say_is_kept_as_not_measured(north: Cast) -> None:
    form = install_form(north, bowl_product="unknown")
    assert signed_in(north, Role.DISPATCHER).submit(installing(north), **form).status_code == 302
    assert checked(north) == [("not_measured", None)]


def test_the_question_about_the_cleaners_must_be_answered(north: Cast) -> None:
    answer = signed_in(north, Role.DISPATCHER).submit(
        installing(north), **install_form(north, bowl_product="", label="7K3M9Q2X3")
    )
    assert answer.status_code == 422
    assert "Choose one of the list." in text_of(answer)
    assert 'value="7K3M9Q2X3"' in answer.content.decode()


def test_slips_are_said_beside_their_field(north: Cast, south: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    later = visitor.submit(installing(north), **install_form(north, at="2026-06-15T14:01"))
    assert "This is later than now." in text_of(later)
    strange = visitor.submit(installing(north), **install_form(north, label=south.unit.code))
    assert "There is no unit here with this label." in text_of(strange)
    foreign = visitor.submit(installing(north), **install_form(north, station=str(south.stations[0].id)))
    assert foreign.status_code == 422
    visitor.submit(installing(north), **install_form(north))
    twice = visitor.submit(installing(north), **install_form(north, station=str(north.stations[1].id)))
    assert twice.status_code == 409
    assert f"Unit {north.unit.code} hangs at Ground floor, 1 already." in text_of(twice)


def test_two_units_never_hang_at_one_station(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    stale = install_form(north, label=north.units[1].code)
    visitor.submit(installing(north), **install_form(north))
    refused = visitor.submit(installing(north), **stale)
    assert (refused.status_code, f"Unit {north.unit.code} hangs there." in text_of(refused)) == (409, True)
    assert view_of(north, 1).status == "printed"


def test_a_unit_is_moved_to_another_site_with_its_liquid_checked(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    visitor.submit(installing(north), **install_form(north))
    other = other_site(north)
    address = f"/{north.operator.slug}/units/{north.unit.code}/move"
    page = text_of(visitor.get(f"{address}?site=gull"))
    assert f"Unit {north.unit.code} hangs at Marl Quay School, Ground floor, 1." in page
    assert "To an empty station of Gull House" in page
    form = {"work": str(uuid4()), "station": str(other.id), "at": "2026-06-15T13:30"}
    blocked = visitor.submit(f"{address}?site=S2", **form, bowl_product="hypochlorite")
    assert (blocked.status_code, "Do not hang it there" in text_of(blocked)) == (409, True)
    assert visitor.submit(f"{address}?site=S2", **form, bowl_product="none").status_code == 302
    view = view_of(north)
    assert (view.restroom, view.station) == ("Hall", "Urinal 1")
    assert "There is no site of this code or name." in text_of(visitor.get(f"{address}?site=nowhere"))


def other_site(cast: Cast) -> Any:
    site = add_sites(
        actor=cast.owner,
        sites=[
            {
                "customer_id": cast.customer.id,
                "code": "S2",
                "name": "Gull House",
                "kind": "office",
                "zone": "Europe/Berlin",
            }
        ],
    )[0]
    room = commands.add_restroom_with_fixtures(actor=cast.owner, site_id=site.id, name="Hall", urinals=1)
    with cast.reading():
        return Station.objects.get(restroom_id=room.id)


def test_a_unit_is_taken_down_once_and_may_hang_again(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    north.upload(north.installed(at=NOON - timedelta(days=2)))
    address = f"/{north.operator.slug}/units/{north.unit.code}/withdraw"
    assert "local sewer rules" in text_of(visitor.get(address))
    form = {"work": str(uuid4()), "reason": "damaged", "at": "2026-06-15T13:00"}
    assert visitor.submit(address, **form).status_code == 302
    assert visitor.submit(address, **form).status_code == 302
    assert view_of(north).status == "withdrawn"
    assert "hangs nowhere" in text_of(visitor.get(address))
    again = visitor.submit(address, **{**form, "work": str(uuid4())})
    assert again.status_code == 409
    assert visitor.submit(installing(north), **install_form(north, at="2026-06-15T13:45")).status_code == 302
    assert view_of(north).history.is_installed


def test_who_records_no_work_installs_nothing(north: Cast, south: Cast) -> None:
    assert signed_in(north, Role.BOOKKEEPER).get(installing(north)).status_code == 403
    visitor = signed_in(south, Role.DISPATCHER)
    assert visitor.get(f"/{south.operator.slug}/units/{north.unit.code}/move").status_code == 404


def test_when_every_station_has_its_unit_the_form_says_so(north: Cast) -> None:
    north.upload(*(north.installed(unit, station=at) for at, unit in enumerate(north.units)))
    said = text_of(signed_in(north, Role.DISPATCHER).get(installing(north)))
    assert "a unit hangs at every station" in said
    assert "Add restrooms and stations" in said
