"""Documents: found, read back to the work, given as files, given back of, sent again."""

from __future__ import annotations

import json
from datetime import date
from decimal import Decimal
from xml.etree import ElementTree as ET

import pytest

from accounts.permissions import Role
from billing.commands import opening
from billing.commands.opening import NewDebt
from billing.queries import closes, documents
from billing.rules.documents import canonical_bytes
from tests.billing.books import APRIL, close, list_prices, on
from tests.cast import Cast
from tests.pages.sellers import sell_with_vat
from tests.pages.visitors import signed_in, text_of


@pytest.fixture
def billed(north: Cast) -> Cast:
    """April closed by a seller with 19 % of VAT: a unit's month 30, its installation 45, a wick 12.50."""
    sell_with_vat(north)
    list_prices(north)
    north.upload(
        north.installed(at=on(4, 1)), north.event("wick.changed", north.unit, on(4, 14), reason="age")
    )
    close(north, APRIL)
    return north


def page_of(cast: Cast, number: str = "INV-000001") -> str:
    return f"/{cast.operator.slug}/money/documents/{number}"


def test_a_line_leads_to_the_event_and_to_why_it_is_charged(billed: Cast) -> None:
    visitor = signed_in(billed, Role.VIEWER)
    page = visitor.get(page_of(billed))
    # 87.50 net and 19 % of it, 16.625, half away from zero: EN 16931 rounds so (billing.md, section 9).
    assert "Quay Schools owes 104.13 EUR for April 2026 by 2 June 2026." in text_of(page)
    assert "VAT 19 % 87.50 16.63" in text_of(page)
    assert "To pay 104.13 EUR" in text_of(page)
    with billed.reading():
        wick = closes.charges().get(item_code="wick")
    body = page.content.decode()
    assert f'href="/{billed.operator.slug}/units/{billed.unit.code}#event-{wick.event_id}"' in body
    why = f"/{billed.operator.slug}/money/charges/{wick.id}"
    assert f'href="{why}"' in body
    told = text_of(visitor.get(why))
    assert "It stands at 12.50 EUR for Quay Schools." in told
    assert "Wick change" in told
    assert "INV-000001, line 3" in told
    unit = visitor.get(f"/{billed.operator.slug}/units/{billed.unit.code}")
    assert "Billed 12.50 EUR on INV-000001, line 3." in text_of(unit)
    assert page_of(billed) in unit.content.decode()


def test_the_document_is_given_as_letter_invoice_and_text(billed: Cast) -> None:
    visitor = signed_in(billed, Role.VIEWER)
    with billed.reading():
        stored = documents.get_document("INV-000001")
    letter = visitor.get(f"{page_of(billed)}.pdf")
    assert (letter["Content-Type"], letter.content[:5]) == ("application/pdf", b"%PDF-")
    electronic = visitor.get(f"{page_of(billed)}.xml")
    assert electronic["Content-Type"] == "application/xml"
    assert ET.fromstring(electronic.content).tag.endswith("}Invoice")
    assert electronic.content.decode() == stored.ubl
    plain = visitor.get(f"{page_of(billed)}.json")
    assert plain.content == canonical_bytes(stored.document)
    assert plain["Content-Disposition"] == 'inline; filename="INV-000001.json"'
    assert json.loads(plain.content)["payable"] == "104.13"


def test_a_credit_of_a_line_keeps_what_was_typed_until_it_is_right(billed: Cast) -> None:
    visitor = signed_in(billed, Role.BOOKKEEPER)
    form = f"{page_of(billed)}/credit"
    assert "87.50 EUR net, 104.13 EUR with tax, is left of it" in text_of(visitor.get(form))
    typed = {"how": "lines", "line-3": "12.51"}
    without = visitor.submit(form, **typed)
    assert without.status_code == 422
    assert "Fill this in." in text_of(without)
    assert 'value="12.51"' in without.content.decode()
    more = visitor.submit(form, reason="Wrong wick", **typed)
    assert more.status_code == 409
    assert "Of line 3 of INV-000001 only 12.50 EUR are left to give back." in text_of(more)
    assert 'value="Wrong wick"' in more.content.decode()
    both = visitor.submit(form, reason="Wrong wick", **{**typed, "how": "all"})
    assert "Amounts stand beside lines below." in text_of(both)
    right = visitor.submit(form, reason="Wrong wick", **{**typed, "line-3": "12.50"})
    assert right["Location"] == f"{page_of(billed, 'CRN-000001')}?done=credited"
    note = text_of(visitor.get(right["Location"]))
    # 12.50 and 19 % of it, 2.375.
    assert "Quay Schools gets 14.88 EUR back of INV-000001." in note
    assert "reason: Wrong wick" in note
    assert "CRN-000001, given back 14.88" in text_of(visitor.get(page_of(billed)))
    assert "Quay Schools still owes 89.25 EUR of 104.13 EUR" in text_of(visitor.get(page_of(billed)))


def test_giving_all_back_leaves_nothing_to_give_back(billed: Cast) -> None:
    visitor = signed_in(billed, Role.OWNER)
    visitor.submit(f"{page_of(billed)}/credit", reason="Not ordered", how="all")
    page = text_of(visitor.get(page_of(billed)))
    assert "Quay Schools owed 104.13 EUR for April 2026; nothing is left to pay." in page
    assert "Give back all or a part" not in page
    again = visitor.submit(f"{page_of(billed)}/credit", reason="Twice", how="all")
    assert again.status_code == 409
    assert "Nothing is left of INV-000001 to give back." in text_of(again)


def test_a_document_is_sent_again_once_a_minute(billed: Cast) -> None:
    visitor = signed_in(billed, Role.BOOKKEEPER)
    nobody = visitor.submit(f"{page_of(billed)}/send")
    assert nobody.status_code == 400
    assert "no e-mail address" in text_of(nobody)


def test_who_may_only_read_sees_no_button_and_gets_403(billed: Cast) -> None:
    viewer = signed_in(billed, Role.VIEWER)
    page = text_of(viewer.get(page_of(billed)))
    assert "Send it again" not in page
    assert "Give back" not in page
    assert viewer.submit(f"{page_of(billed)}/credit", reason="x", how="all").status_code == 403
    assert viewer.submit(f"{page_of(billed)}/send").status_code == 403
    assert viewer.get(f"{page_of(billed)}/credit").status_code == 403


def test_a_debt_brought_forward_has_a_page_and_no_letter(north: Cast) -> None:
    opening.record_opening_debts(
        actor=north.owner,
        debts=[
            NewDebt(
                customer_id=north.customer.id,
                number="2025-0017",
                issued_on=date(2025, 11, 3),
                due_on=date(2025, 12, 3),
                amount=Decimal("310.00"),
            )
        ],
    )
    visitor = signed_in(north, Role.VIEWER)
    page = text_of(visitor.get(page_of(north, "2025-0017")))
    assert "Debt brought forward 2025-0017" in page
    assert "Quay Schools owes 310.00 EUR by 3 December 2025." in page
    assert visitor.get(f"{page_of(north, '2025-0017')}.pdf").status_code == 404


def test_documents_are_found_by_number_customer_kind_and_month(billed: Cast) -> None:
    visitor = signed_in(billed, Role.VIEWER)
    listed = f"/{billed.operator.slug}/money/documents/"
    assert "1 document has been issued or brought forward." in text_of(visitor.get(listed))
    assert "INV-000001 Quay Schools" in text_of(visitor.get(f"{listed}?find=quay"))
    assert "0 documents fit what you asked for." in text_of(visitor.get(f"{listed}?kind=credit_note"))
    assert "0 documents fit what you asked for." in text_of(visitor.get(f"{listed}?month=2026-13"))
    assert "INV-000001" in text_of(visitor.get(f"{listed}?customer=C1&month=2026-04"))


def test_a_rival_document_charge_and_file_get_404(billed: Cast, south: Cast) -> None:
    with billed.reading():
        charge = closes.charges()[0]
    visitor = signed_in(south, Role.OWNER)
    theirs = f"/{south.operator.slug}/money"
    paths = [
        "documents/INV-000001",
        "documents/INV-000001.pdf",
        f"charges/{charge.id}",
        "documents/INV-000001/credit",
    ]
    assert {path: visitor.get(f"{theirs}/{path}").status_code for path in paths} == dict.fromkeys(paths, 404)
    assert signed_in(billed, Role.OWNER).get(page_of(billed)).status_code == 200
