"""One search field: labels in any spelling, sites, customers, documents and crews, each only for who may see it."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from accounts.permissions import Role
from servicing.queries import search
from tests.billing.books import APRIL, close, list_prices
from tests.cast import NOON, Cast
from tests.pages.visitors import signed_in, text_of


def found(cast: Cast, typed: str, role: Role = Role.OWNER) -> Any:
    return signed_in(cast, role).get(f"/{cast.operator.slug}/search", {"for": typed})


@pytest.mark.parametrize("spelling", ["{}", "{} ", " {}", "-{}"])
def test_a_whole_label_in_any_spelling_goes_straight_to_its_unit(north: Cast, spelling: str) -> None:
    code = north.unit.code.lower()
    typed = spelling.format(f"{code[:4]} {code[4:]}")
    assert found(north, typed)["Location"] == f"/{north.operator.slug}/units/{north.unit.code}"


def test_a_part_of_a_label_lists_its_units_with_their_place(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=3)))
    page = found(north, north.unit.code[:6])
    assert "Marl Quay School, Ground floor, 1" in text_of(page)
    assert f'href="/{north.operator.slug}/units/{north.unit.code}"' in page.content.decode()
    # Two characters are on half of all labels, so they look for names only.
    assert "Nothing is called" in text_of(found(north, north.unit.code[:2]))


def test_a_site_is_found_by_its_name_code_or_place_and_a_customer_by_its_name(north: Cast) -> None:
    for typed in ("marl", "QUAY school", "s1"):
        assert f'href="/{north.operator.slug}/sites/S1"' in found(north, typed).content.decode()
    page = found(north, "quay")
    assert "2 entries for “quay”." in text_of(page)
    assert f'href="/{north.operator.slug}/money/customers/C1"' in page.content.decode()
    assert "Crew A" in text_of(found(north, "crew a"))


def test_a_document_is_found_by_the_beginning_of_its_number_by_who_may_see_it(north: Cast) -> None:
    north.upload(north.installed(at=NOON - timedelta(days=70)), north.exchanged(at=NOON - timedelta(days=50)))
    list_prices(north)
    close(north, APRIL)
    number = _number(north)
    assert number in text_of(found(north, number[:-1].lower()))
    assert number not in text_of(found(north, number, Role.DISPATCHER)).replace(f"“{number}”", "").replace(
        f'value="{number}"', ""
    )


def _number(cast: Cast) -> str:
    from billing.queries.documents import invoices

    with cast.reading():
        return str(invoices().values_list("number", flat=True)[0])


def test_nothing_typed_nothing_found_and_signs_of_patterns_say_so(north: Cast) -> None:
    assert "Look for a unit, a site" in text_of(found(north, ""))
    assert "Nothing is called “zzz” here." in text_of(found(north, "zzz"))
    # The database's own signs for "anything" stand for themselves.
    assert "Nothing is called “%” here." in text_of(found(north, "%"))
    assert "Nothing is called “_” here." in text_of(found(north, "_"))
    assert "Nothing is called “<b>'” here." in text_of(found(north, "<b>'"))


def test_a_rivals_names_are_not_found(north: Cast, south: Cast) -> None:
    assert found(south, north.unit.code).status_code == 200
    assert north.unit.code not in text_of(found(south, north.unit.code[:6]))
    assert found(south, "Marl").content.count(b"/sites/S1") == 1  # its own


def test_a_crew_member_finds_no_customer(north: Cast) -> None:
    page = found(north, "Quay Schools", Role.CREW_MEMBER)
    assert "Nothing is called" in text_of(page)


def test_names_that_begin_so_come_first_and_no_more_than_a_dozen(north: Cast) -> None:
    from accounts.commands.customers import add_sites

    rows = [
        {
            "customer_id": north.customer.id,
            "code": f"X{n}",
            "name": f"{'Old ' if n % 2 else ''}Tide mill {n:02}",
            "kind": "office",
            "zone": "Europe/Berlin",
        }
        for n in range(20)
    ]
    add_sites(actor=north.owner, sites=rows)
    with north.reading():
        sites = search.find("tide", with_customers=False).sites
    assert len(sites) == search.MOST + 1
    assert [site.name.startswith("Tide") for site in sites] == [True] * 10 + [False] * 3
    assert "There are more: type one more character." in text_of(found(north, "tide"))
