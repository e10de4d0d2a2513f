"""A recall by lot on one page, and where nothing may hang because of what the site's cleaners use."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from accounts.permissions import Role
from tests.cast import NOON, Cast
from tests.pages.visitors import signed_in, text_of

YESTERDAY = NOON - timedelta(days=1)


def lot_page(cast: Cast, lot: str) -> str:
    return text_of(signed_in(cast, Role.DISPATCHER).get(f"/{cast.operator.slug}/lots/{lot}"))


def checked(cast: Cast, product: str, outcome: str, hours: int) -> dict[str, Any]:
    return cast.event(
        "placement.checked",
        cast.site,
        YESTERDAY + timedelta(hours=hours),
        station_id=cast.stations[0].id,
        cartridge_id=cast.cartridge.id,
        rule="incompatible_liquids",
        rule_version=1,
        outcome=outcome,
        bowl_product=product,
    )


def test_a_lot_is_found_where_it_is_and_where_it_was(north: Cast, south: Cast) -> None:
    first, second = north.units[0], north.units[1]
    north.upload(
        north.installed(first, YESTERDAY),
        north.installed(second, YESTERDAY, station=1),
        north.exchanged(first, YESTERDAY + timedelta(hours=1), lot="BAD-9"),
        north.exchanged(second, YESTERDAY + timedelta(hours=1), lot="BAD-9"),
        north.exchanged(second, YESTERDAY + timedelta(hours=2), lot="GOOD-1"),
    )
    page = lot_page(north, "BAD-9")
    assert "1 unit at 1 site holds lot BAD-9 now." in page
    assert page.index(first.code) < page.index("in it now") < page.index(second.code)
    assert page.index(second.code) < page.index("taken out")
    assert "Nothing is recorded of lot BAD-9." in lot_page(south, "BAD-9")


def test_a_countered_exchange_gave_no_unit_the_lot(north: Cast) -> None:
    wrong = north.exchanged(at=YESTERDAY + timedelta(hours=1), lot="BAD-9")
    north.upload(north.installed(at=YESTERDAY), wrong)
    assert "holds lot BAD-9" in lot_page(north, "BAD-9")
    north.upload(north.event("event.countered", north.unit, corrects=wrong["id"], reason="wrong_unit"))
    assert "Nothing is recorded of lot BAD-9." in lot_page(north, "BAD-9")


def test_a_lot_is_looked_for_by_a_form_and_has_an_address_of_its_own(north: Cast) -> None:
    visitor = signed_in(north, Role.VIEWER)
    asked = visitor.get(f"/{north.operator.slug}/lots/", {"lot": " BAD-9 "})
    assert asked["Location"] == f"/{north.operator.slug}/lots/BAD-9"
    assert "Look for a cartridge lot." in text_of(visitor.get(f"/{north.operator.slug}/lots/"))


def test_bleach_under_an_acid_is_said_until_the_place_is_checked_again(north: Cast) -> None:
    site = f"/{north.operator.slug}/sites/S1"
    visitor = signed_in(north, Role.DISPATCHER)
    north.upload(checked(north, "hypochlorite", "breaks", 1), north.installed(at=YESTERDAY))
    blocked = text_of(visitor.get(site))
    assert "Nothing may hang here" in blocked
    assert "chlorine gas can form" in blocked
    assert "safety data sheet" in blocked
    assert f"{north.unit.code} hangs there: have it taken down" in blocked
    north.upload(checked(north, "neutral", "meets", 2))
    assert "Nothing may hang here" not in text_of(visitor.get(site))


def test_a_crew_that_passes_bleach_under_an_acid_is_not_believed(north: Cast) -> None:
    north.upload(checked(north, "hypochlorite", "meets", 1))
    page = text_of(signed_in(north, Role.DISPATCHER).get(f"/{north.operator.slug}/sites/S1"))
    assert "Nothing may hang here" in page


def test_a_spill_stands_on_its_sites_page_and_changes_no_unit(north: Cast) -> None:
    north.upload(north.installed(at=YESTERDAY))
    unit = f"/{north.operator.slug}/units/{north.unit.code}"
    visitor = signed_in(north, Role.DISPATCHER)
    before = text_of(visitor.get(unit))
    spill = north.event("spill.logged", north.site, volume_ml=40, surface="floor", action="absorbed")
    assert [fate.fate for fate in north.upload(spill)] == ["accepted"]
    assert "Spill of 40 mL on the floor: absorbed." in text_of(
        visitor.get(f"/{north.operator.slug}/sites/S1")
    )
    assert text_of(visitor.get(unit)) == before
    wrong = north.event("spill.logged", north.unit, volume_ml=40, surface="floor", action="absorbed")
    assert [fate.code for fate in north.upload(wrong)] == ["wrong-subject"]
