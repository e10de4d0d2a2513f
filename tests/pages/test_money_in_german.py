"""The pages of money for somebody who reads German: nothing of the English is left, and numbers are typed and read as there."""

from __future__ import annotations

import html
import re
from datetime import date
from decimal import Decimal

import pytest
from django.urls import reverse

from accounts import tenancy
from accounts.commands import operators
from accounts.models import Member
from accounts.permissions import Role
from billing.commands.contracts import NewContract, NewContractSite, NewTerms, add_contract
from billing.queries import documents, prices, sending
from tests.billing.books import APRIL, close, list_prices, on
from tests.billing.mailing import has_address, run_owed, sendings
from tests.cast import Cast
from tests.pages.sellers import sell_with_vat
from tests.pages.visitors import Visitor, signed_in, text_of
from tests.words import catalogue

# Words that German takes as they are, or that an operator of the tests has in its own data.
SAME = {"Standard", "Index", "Name", "Bank", "Installation", "Royalty"}


@pytest.fixture
def german(north: Cast, superuser) -> Cast:
    """An operator of the tests that billed April, whose owner reads German."""
    has_address(superuser, north)
    sell_with_vat(north)
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)), north.event("wick.changed", north.unit, at=on(4, 14)))
    close(north, APRIL)
    add_contract(
        actor=north.owner,
        new=NewContract(
            number="K-1",
            customer_id=north.customer.id,
            starts_on=date(2026, 5, 1),
            sites=[NewContractSite(north.site.id)],
            terms=NewTerms(mode="unit_month", visit_minimum=Decimal("12.50")),
        ),
    )
    with tenancy.writing(north.owner):
        Member.objects.filter(id=north.owner.id).update(locale="de-DE")
    return north


def sentences() -> set[str]:
    """What pages of money say in English and no place is left for: all that must not be read by a German."""
    part = catalogue.parts("de")["money.po"]
    plain = [one for one in part if not one.msgid_plural and not re.search(r"[{%<]", one.msgid)]
    return {one.msgid for one in plain if one.msgid != one.msgstr and len(one.msgid) > 3} - SAME


def address_of(cast: Cast, name: str) -> str:
    return f"/{cast.operator.slug}/{name}"


def addresses(cast: Cast, visitor: Visitor) -> list[str]:
    """The pages of money that a page of money leads to."""
    base = address_of(cast, "")
    found, waiting = [], [address_of(cast, "money/")]
    while waiting:
        path = waiting.pop()
        if path in found:
            continue
        answer = visitor.get(path)
        if answer.status_code != 200 or not answer["Content-Type"].startswith("text/html"):
            continue
        body = answer.content.decode()
        if 'class="words"' not in body:
            continue
        found.append(path)
        main = body.partition('class="words"')[2]
        links = re.findall(rf'href="({re.escape(base)}[^"#?]*)', main)
        waiting += [link for link in links if link not in found]
    return found


def test_every_page_of_money_reads_in_german(german):
    visitor = signed_in(german, Role.OWNER)
    english = sentences()
    left = {}
    walked = addresses(german, visitor)
    for path in walked:
        body = visitor.get(path).content.decode().partition("<main")[2]
        shown = {" ".join(html.unescape(one).split()) for one in re.split(r"<[^>]*>", body)}
        if found := shown & english:
            left[path] = sorted(found)

    assert left == {}
    assert len(walked) > 18


def test_amounts_and_days_read_as_in_germany(german):
    text = text_of(signed_in(german, Role.OWNER).get(address_of(german, "money/documents/INV-000001")))

    # 45 and 30 of the tests' own list: 75.00, and 19 % of it, 14.25.
    assert "89,25 EUR" in text
    assert "14,25" in text
    assert "Ausgestellt 3. Mai 2026" in text


def test_an_amount_is_typed_with_a_comma_or_with_a_point(german):
    visitor = signed_in(german, Role.OWNER)
    path = address_of(german, "money/prices/month/set")
    for typed, day in (("31,50", "2026-06-01"), ("32.50", "2026-07-01"), ("1.234,50", "2026-08-01")):
        answer = visitor.submit(path, amount=typed, effective_from=day)
        assert answer.status_code == 302, text_of(answer)

    with german.reading():
        rows = prices.price_versions().filter(item__code="month").order_by("effective_from")
        assert [row.amount for row in rows][1:] == [Decimal("31.5"), Decimal("32.5"), Decimal("1234.5")]


def test_a_customer_reads_a_link_in_the_operators_language(german):
    operators.change_operator(
        actor=german.owner, name="Nord", legal_name="Nord", locale="de-DE", measures="metric"
    )
    run_owed(german)
    (sent,) = sendings(german)
    with german.reading():
        number = documents.invoices_in_order()[0].number
    token = sending.token_of(german.operator.id, sent.id)
    answer = Visitor().get(reverse("shared", args=[token]), headers={"accept-language": "en"})

    assert answer.status_code == 200
    assert '<html lang="de-DE">' in answer.content.decode()
    assert f"Rechnung {number} über 89,25 EUR" in text_of(answer)
    assert "sind bis 2. Juni 2026 zu zahlen." in text_of(answer)
