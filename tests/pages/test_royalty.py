"""Setting the network's terms and stating a month, in forms."""

from __future__ import annotations

from datetime import UTC, datetime

from accounts import clock
from accounts.permissions import Role
from billing.queries import royalty as stated
from tests.billing.books import APRIL, close, list_prices, on
from tests.pages.visitors import signed_in, text_of

TERMS = {
    "effective_from": "2026-05",
    "network_name": "Drip Network",
    "basis": "billed",
    "percent_0": "10",
    "upto_0": "50",
    "percent_1": "8",
    "upto_1": "",
    "minimum": "0",
    "fund_percent": "2",
}


def test_terms_are_set_and_the_month_that_is_over_is_stated(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    visitor, path = signed_in(north, Role.BOOKKEEPER), f"/{north.operator.slug}/royalty/"
    assert "No terms with a network are set." in text_of(visitor.get(path))

    answer = visitor.submit(f"{path}terms", **TERMS)
    assert (answer.status_code, answer["Location"]) == (302, f"{path}?set=yes")
    page = text_of(visitor.get(answer["Location"]))
    assert "The terms are set." in page
    assert "From May 2026 with Drip Network, of what is billed in a month" in page
    assert "from 0.00 to 50.00 10" in page
    assert "State May 2026 to the network" in page

    answer = visitor.submit(f"{path}state", month="2026-05")
    assert (answer.status_code, answer["Location"]) == (302, f"{path}2026-05")
    # 10 % of 50.00 and 8 % of 25.00.
    assert "Royalty for May 2026: 7.00 EUR" in text_of(visitor.get(answer["Location"]))
    assert "June 2026 can be stated when it is over." in text_of(visitor.get(path))


def test_a_month_that_cant_be_stated_is_refused_on_the_page(north):
    visitor, path = signed_in(north, Role.OWNER), f"/{north.operator.slug}/royalty/"

    early = visitor.submit(f"{path}state", month="2026-06")
    odd = visitor.submit(f"{path}state", month="June")

    assert (early.status_code, odd.status_code) == (400, 400)
    assert (
        "June 2026 ends on Wed 1 Jul 2026; it can be stated from that day on. Nothing was stated."
        in text_of(early)
    )
    assert "Name the month as year and month" in text_of(odd)
    with north.reading():
        assert list(stated.statements()) == []


def test_a_form_keeps_what_was_typed_and_says_beside_each_field_what_is_wrong(north):
    visitor, path = signed_in(north, Role.OWNER), f"/{north.operator.slug}/royalty/terms"

    typed = visitor.submit(path, **{**TERMS, "percent_0": "ten"})
    refused = visitor.submit(path, **{**TERMS, "upto_0": "", "minimum": "0.001"})

    assert (typed.status_code, refused.status_code) == (422, 400)
    assert "Enter a percentage, such as 19 or 8.1." in text_of(typed)
    assert 'value="ten"' in typed.content.decode()
    assert "Every tier but the last has an end, and the last has none." in text_of(refused)
    assert "The minimum is an amount in EUR, 0 or more." in text_of(refused)
    assert 'value="Drip Network"' in refused.content.decode()
    with north.reading():
        assert list(stated.terms_rows()) == []


def test_other_terms_begin_with_those_in_force(north):
    visitor, path = signed_in(north, Role.OWNER), f"/{north.operator.slug}/royalty/terms"
    visitor.submit(path, **TERMS)

    page = visitor.get(path).content.decode()

    assert 'value="Drip Network"' in page
    assert 'name="percent_1" value="8"' in page


def test_the_statements_stand_inside_money_for_the_office(north):
    page = signed_in(north, Role.OWNER).get(f"/{north.operator.slug}/royalty/")

    text = text_of(page)
    assert (
        "Lookout Rounds Sites Units Month sheet Money Set-up Find a label, site, customer or invoice Owner Sign out"
        in text
    )
    assert ">Money</a>" in page.content.decode()
    assert 'aria-current="page">Royalty</a>' in page.content.decode()


def test_a_dispatcher_sees_neither_money_nor_royalty(north):
    answer = signed_in(north, Role.DISPATCHER).get(f"/{north.operator.slug}/royalty/")

    assert answer.status_code == 403


def test_the_page_of_statements_lists_each_month(north):
    list_prices(north)
    visitor, path = signed_in(north, Role.OWNER), f"/{north.operator.slug}/royalty/"
    visitor.submit(f"{path}terms", **{**TERMS, "minimum": "5"})
    with clock.playing(datetime(2026, 8, 4, 9, tzinfo=UTC)):
        visitor = signed_in(north, Role.OWNER)
        for month in ("2026-05", "2026-06", "2026-07"):
            assert visitor.submit(f"{path}state", month=month).status_code == 302

    page = text_of(visitor.get(path))

    assert page.index("July 2026") < page.index("June 2026") < page.index("May 2026")
    june = text_of(visitor.get(f"{path}2026-06"))
    assert "The least royalty of a month stands in place of 0.00 5.00" in june
    assert "The month before." in june
    assert "The month after." in june
