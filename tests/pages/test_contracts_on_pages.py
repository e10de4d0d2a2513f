"""Contracts on pages: made with sites and terms, changed from a day on, given notice of; prices, issuers and tax rates."""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from accounts.permissions import Role
from billing.queries import contracts, parties, prices
from tests.billing.books import APRIL, close, list_prices, on
from tests.cast import Cast
from tests.pages.visitors import Visitor, signed_in, text_of

TERMS = {
    "terms-mode": "base_plus",
    "terms-cycle_months": "1",
    "terms-base_units": "2",
    "terms-proration": "by_days",
    "terms-visit_minimum": "38",
    "terms-not_admitted": "billable",
    "terms-install_waived": "on",
    "terms-claw_back_months": "12",
    "terms-credits_missed": "on",
    "terms-make_good_days": "7",
    "terms-credit_as": "credit_note",
}
INCLUDED = {"in-0-event_type": "wick.changed", "in-0-count": "1", "in-0-per": "unit", "in-0-every": "year"}


def money(cast: Cast) -> str:
    return f"/{cast.operator.slug}/money"


def new_contract(cast: Cast, **other: Any) -> dict[str, Any]:
    return {
        "number": "K-7",
        "starts_on": "2026-04-01",
        "term_months": "12",
        "renewal_months": "12",
        "notice_days": "90",
        "end_rule": "period_end",
        "sites": str(cast.site.id),
        **TERMS,
        **INCLUDED,
        **other,
    }


@pytest.fixture
def keeper(north: Cast) -> Visitor:
    return signed_in(north, Role.BOOKKEEPER)


@pytest.fixture
def contract(north: Cast, keeper: Visitor) -> str:
    """The page of a contract from April on, of the one site."""
    made = keeper.submit(f"{money(north)}/new-contract?customer=C1", **new_contract(north))
    assert made["Location"] == f"{money(north)}/contracts/K-7?done=made"
    return f"{money(north)}/contracts/K-7"


def test_a_contract_is_made_by_form_and_told_in_words(north: Cast, keeper: Visitor, contract: str) -> None:
    page = text_of(keeper.get(contract))
    assert (
        "Quay Schools, 1 site today. Its term runs to 31 Mar 2027; notice by 31 Dec 2026 ends it then."
        in page
    )
    for sentence in (
        "Billed is a base fee for the site by the month, and each unit beyond it, every month afterwards.",
        "The base fee covers 2 units.",
        "A day's visits to a site cost at least 38.00 EUR.",
        "In the fee: 1 wick change a unit and contract year.",
        "Installation is free; a site that leaves within 12 months pays for the rest of them.",
        "A service missed by our fault is credited, unless it is made good within 7 days of its due day.",
        "What is given back comes by a credit note of its own.",
    ):
        assert sentence in page
    assert "Marl Quay School S1from 1 Apr 2026 on" in page.replace(" from", "from")
    listed = text_of(keeper.get(f"{money(north)}/contracts/"))
    assert "K-7 Quay Schools Quay Schools a base fee for the site by the month" in listed
    assert "Thu 31 Dec Wed 31 Mar 2027" in listed


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"number": ""}, "Fill this in."),
        ({"starts_on": ""}, "Enter a day, such as 2026-07-01."),
        ({"notice_days": "-1"}, "Enter a whole number from 0 to 3,650."),
        ({"terms-visit_minimum": "-38"}, "An amount can't be negative."),
        ({"terms-mode": "by_moon"}, "Choose one of the list."),
        ({"in-0-count": ""}, "Say how many are in the fee."),
    ],
)
def test_a_slip_in_a_contract_is_said_beside_its_field_and_all_stays_typed(
    north: Cast, keeper: Visitor, wrong: dict[str, str], said: str
) -> None:
    answer = keeper.submit(f"{money(north)}/new-contract?customer=C1", **new_contract(north, **wrong))
    assert answer.status_code == 422
    assert said in text_of(answer)
    body = answer.content.decode()
    assert re.search(
        r'aria-invalid="true"[^>]*aria-describedby|aria-describedby[^>]*aria-invalid="true"', body
    )
    assert 'value="credit_note" selected' in body
    with north.reading():
        assert not contracts.contracts().exists()


def test_a_contract_number_that_exists_is_refused(north: Cast, keeper: Visitor, contract: str) -> None:
    again = keeper.submit(f"{money(north)}/new-contract?customer=C1", **new_contract(north, sites=[]))
    assert again.status_code == 409
    assert 'value="K-7"' in again.content.decode()


def test_terms_change_from_a_day_on_and_not_in_a_closed_month(
    north: Cast, keeper: Visitor, contract: str
) -> None:
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    form = keeper.get(f"{contract}/terms").content.decode()
    assert 'value="base_plus" selected' in form
    assert 'name="in-0-count" value="1"' in form
    flat = {**TERMS, **INCLUDED, "terms-mode": "flat_site", "terms-base_units": "0"}
    closed = keeper.submit(f"{contract}/terms", **flat, **{"terms-effective_from": "2026-04-15"})
    assert closed.status_code == 409
    assert "April 2026 is closed" in text_of(closed)
    set_ = keeper.submit(f"{contract}/terms", **flat, **{"terms-effective_from": "2026-07-01"})
    assert set_["Location"] == f"{contract}?done=terms"
    page = text_of(keeper.get(contract))
    assert (
        "From 1 Jul 2026 on Billed is a flat fee for the site by the month, every month afterwards." in page
    )
    assert "In force since 1 Apr 2026" in page


def test_a_site_leaves_and_joins_again(north: Cast, keeper: Visitor, contract: str) -> None:
    page = keeper.get(contract).content.decode()
    leave = re.search(r'href="([^"]+/end)"', page)
    assert leave is not None
    early = keeper.submit(leave[1], ends_before="2026-03-01")
    assert early.status_code == 400
    assert 'value="2026-03-01"' in early.content.decode()
    assert keeper.submit(leave[1], ends_before="2026-07-01").status_code == 302
    assert "from 1 Apr 2026 to 30 Jun 2026" in text_of(keeper.get(contract))
    twice = keeper.submit(f"{contract}/sites", site=str(north.site.id), starts_on="2026-06-01")
    assert twice.status_code == 409
    joined = keeper.submit(f"{contract}/sites", site=str(north.site.id), starts_on="2026-08-01")
    assert joined["Location"] == f"{contract}?done=site"
    assert "from 1 Aug 2026 on" in text_of(keeper.get(contract))


def test_notice_ends_the_contract_by_its_rule_and_can_be_taken_back(
    north: Cast, keeper: Visitor, contract: str
) -> None:
    assert keeper.submit(f"{contract}/notice", given_on="2026-06-10").status_code == 302
    # 90 days from 10 June run out in the first term, to 31 March 2027: the contract's own rule.
    assert "It ends with 31 Mar 2027, after notice of 10 Jun 2026." in text_of(keeper.get(contract))
    again = keeper.submit(f"{contract}/notice", given_on="2026-06-11")
    assert again.status_code == 409
    assert "Notice was given on Wed 10 Jun 2026 already" in text_of(again)
    assert keeper.submit(f"{contract}/notice/withdraw").status_code == 302
    assert "notice by 31 Dec 2026 ends it then" in text_of(keeper.get(contract))


def test_a_price_item_its_price_and_that_of_a_contract_are_set(
    north: Cast, keeper: Visitor, contract: str
) -> None:
    item = {"code": "fee", "name": "Site and month", "basis": "site_month", "tax_class": "standard"}
    assert (
        keeper.submit(f"{money(north)}/new-price-item", **item, amount="120", effective_from="2026-04-01")[
            "Location"
        ]
        == f"{money(north)}/prices/?done=item"
    )
    page = f"{money(north)}/prices/fee"
    negative = keeper.submit(f"{page}/set", amount="-1", effective_from="2026-07-01")
    assert negative.status_code == 422
    assert "An amount can't be negative." in text_of(negative)
    nothing = keeper.submit(f"{page}/set", effective_from="2026-07-01")
    assert "Give an amount, or the index that it follows." in text_of(nothing)
    taken = keeper.submit(f"{page}/set", amount="1", effective_from="2026-04-01")
    assert taken.status_code == 409
    assert (
        keeper.submit(
            f"{page}/set", amount="99", effective_from="2026-05-01", contract_number="K-7"
        ).status_code
        == 302
    )
    told = text_of(keeper.get(page))
    assert "120.00 EUR net today on the list." in told
    assert "1 May 2026 on now K-7" in told
    assert "Site and month all its sites 99.00 EUR" in text_of(keeper.get(contract))
    assert "Site and month a site's month Wed 1 Apr 1 120.00 EUR" in text_of(
        keeper.get(f"{money(north)}/prices/")
    )


def test_an_index_clause_waits_for_its_figures(north: Cast, keeper: Visitor) -> None:
    list_prices(north)
    clause = {"index_code": "CPI", "base_month": "2025-06", "month": "2026-06", "cap_percent": "5"}
    half = keeper.submit(f"{money(north)}/prices/month/set", effective_from="2026-07-01", index_code="CPI")
    assert half.status_code == 422
    assert "An index needs this month." in text_of(half)
    keeper.submit(f"{money(north)}/prices/month/set", effective_from="2026-07-01", **clause)
    listed = f"{money(north)}/prices/"
    assert "1 price waits for an index figure." in text_of(keeper.get(listed))
    for month, value in (("2025-06", "120"), ("2026-06", "123")):
        keeper.submit(f"{money(north)}/index-figures", code="CPI", month=month, value=value)
    assert "No price waits for a figure." in text_of(keeper.get(listed))
    again = keeper.submit(f"{money(north)}/index-figures", code="CPI", month="2026-06", value="124")
    assert again.status_code == 409
    assert "A published figure stays." in text_of(again)
    with north.reading():
        # 30 x 123 / 120.
        assert prices.price_versions().get(effective_from=date(2026, 7, 1)).amount == Decimal("30.75")


def test_a_legal_entity_and_a_tax_rate_are_entered(north: Cast, keeper: Visitor) -> None:
    form = f"{money(north)}/new-issuer"
    values = {
        "code": "DE", "legal_name": "North Care GmbH", "country": "DE", "regime": "vat", "tax_basis": "invoice",
        "currency": "EUR", "payment_days": "14", "tax_jurisdiction": "DE", "iban": "DE89 3704 0044 0532 0130 01",
        "reminder_days": "7, 21", "account_revenue": "8400", "is_default": "on",
    }  # fmt: skip
    wrong = keeper.submit(form, **values)
    assert wrong.status_code == 400
    assert "Who adds VAT needs an identifier." in text_of(wrong)
    assert "This is no IBAN: its check digits are wrong." in text_of(wrong)
    assert 'value="7, 21"' in wrong.content.decode()
    # The IBAN registry's own example of a German account number (ISO 13616).
    right = {**values, "vat_id": "DE123456788", "iban": "DE89 3704 0044 0532 0130 00"}
    assert keeper.submit(form, **right)["Location"] == f"{money(north)}/issuers/?done=issuer"
    with north.reading():
        entity = parties.get_legal_entity("DE")
    assert (entity.reminder_days, entity.accounts, entity.is_default) == ([7, 21], {"revenue": "8400"}, True)
    assert "North Care GmbH issues, VAT; 0 tax rates are entered." in text_of(
        keeper.get(f"{money(north)}/issuers/")
    )
    changed = keeper.submit(f"{money(north)}/issuers/DE", **{**right, "code": "XX", "city": "Kiel"})
    assert changed.status_code == 302
    with north.reading():
        assert parties.get_legal_entity("DE").city == "Kiel"
    rate = {"jurisdiction": "DE", "tax_class": "standard", "category": "S", "effective_from": "2026-04-01"}
    over = keeper.submit(f"{money(north)}/tax-rates", **rate, rate="119")
    assert over.status_code == 422
    assert "Enter a percentage, such as 19 or 8.1." in text_of(over)
    zero = keeper.submit(f"{money(north)}/tax-rates", **rate, rate="0")
    assert zero.status_code == 400
    assert "Category S has a rate above 0." in text_of(zero)
    assert keeper.submit(f"{money(north)}/tax-rates", **rate, rate="19").status_code == 302
    assert "DE Standard" in text_of(keeper.get(f"{money(north)}/issuers/")).replace("DE  ", "DE ")


def test_who_may_only_read_sees_contracts_prices_and_issuers_without_forms(
    north: Cast, contract: str
) -> None:
    viewer = signed_in(north, Role.VIEWER)
    for path in ("contracts/", "contracts/K-7", "prices/", "issuers/"):
        page = viewer.get(f"{money(north)}/{path}")
        assert page.status_code == 200
        assert 'method="post"' not in page.content.decode().split("<main", 1)[1]
    for path in (
        "new-contract?customer=C1",
        "contracts/K-7/terms",
        "contracts/K-7/notice",
        "new-price-item",
        "new-issuer",
    ):
        assert viewer.get(f"{money(north)}/{path}").status_code == 403


def test_a_rivals_contract_and_item_get_404(north: Cast, south: Cast, contract: str) -> None:
    list_prices(north)
    visitor = signed_in(south, Role.OWNER)
    for path in ("contracts/K-7", "contracts/K-7/terms", "prices/month"):
        assert visitor.get(f"{money(south)}/{path}").status_code == 404
