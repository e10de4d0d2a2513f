"""The pages of the bank: from a file to the books, and entry by entry what did not match."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from accounts.permissions import Role
from billing.commands import parties
from billing.queries import settling
from billing.queries.bank import entries
from tests.billing.bank.files import ACCOUNT, Entry, camt
from tests.billing.bank.files import Said as Statement
from tests.billing.books_of_account import Said, content, issue
from tests.cast import Cast
from tests.pages.visitors import Visitor, signed_in, text_of

ENTRIES = (
    Entry("119.00", reference="RF69INV000001", bank="B-1", end_to_end="E2E-1"),
    Entry("50.00", "For <you>", bank="B-2"),
    Entry("-12.50", "Account fee", bank="B-3", party="", party_account=""),
    Entry("7.00", "Announced", status="PDNG"),
)


@pytest.fixture
def billed(north: Cast) -> Cast:
    issue(north, content("invoice", [Said("100.00")], [("DE", "19.00")]))
    issue(north, content("invoice", [Said("50.00")], number="INV-000002", issued_on="2026-06-03"))
    return north


def home(cast: Cast) -> str:
    return f"/{cast.operator.slug}/money/bank/"


def look(visitor: Visitor, cast: Cast, body: bytes, **rest: Any) -> Any:
    file = SimpleUploadedFile("june.xml", body, "application/xml")
    return visitor.submit(f"{home(cast)}preview", file=file, **rest)


def take_in(visitor: Visitor, cast: Cast, *said: Entry, **rest: Any) -> Any:
    """Look at a file and take it in, as the button of its page does."""
    shown = look(visitor, cast, camt(Statement(said or ENTRIES, **rest)))
    packed = re.search(r'name="packed" value="([^"]+)"', shown.content.decode())
    assert packed is not None
    return visitor.submit(f"{home(cast)}take-in", packed=packed[1])


def entry_paths(cast: Cast) -> list[str]:
    with cast.reading():
        return [f"{home(cast)}entries/{one.id}" for one in entries.bank_entries()]


def left_of(cast: Cast) -> dict[str, str]:
    with cast.reading():
        return {one.number: f"{one.left:.2f}" for one in settling.open_documents()}


def test_a_file_is_looked_at_and_nothing_is_stored(billed: Cast) -> None:
    keeper = signed_in(billed, Role.BOOKKEEPER)
    assert "No statement of the bank is taken in yet" in text_of(keeper.get(home(billed)))

    shown = text_of(look(keeper, billed, camt(Statement(ENTRIES))))

    assert "3 entries are new; nothing is taken in yet." in shown
    assert "It opens with 1,000.00 EUR and closes with 1,156.50 EUR" in shown
    assert "1 booked; 1 not matched; 1 set aside." in shown
    assert "Quay Towers: For <you>" in shown
    assert "Perhaps INV-000002 of" in shown
    assert "exactly this is left of it" in shown
    assert "Announced, not booked by the bank" in shown
    # What waits comes before what is booked.
    assert shown.index("not matched. It names") < shown.index("It pays INV-000001.")
    assert entry_paths(billed) == []
    assert left_of(billed) == {"INV-000001": "119.00", "INV-000002": "50.00"}


def test_a_file_is_taken_in_and_the_same_again_changes_nothing(billed: Cast) -> None:
    keeper = signed_in(billed, Role.BOOKKEEPER)
    answer = take_in(keeper, billed)

    assert answer.status_code == 302
    page = text_of(keeper.get(answer["Location"]))
    assert "The file is taken in." in page
    assert "The file was june.xml." in page
    assert left_of(billed) == {"INV-000002": "50.00"}
    overview = text_of(keeper.get(home(billed)))
    assert "1 entry of the bank waits for you." in overview
    assert "1 booked; 1 not matched; 1 set aside" in overview

    again = look(keeper, billed, camt(Statement(ENTRIES)))
    assert "Nothing in this file is new." in text_of(again)
    assert "Take it in" not in text_of(again)
    assert len(entry_paths(billed)) == 3


def test_the_form_that_takes_in_sent_twice_changes_nothing(billed: Cast) -> None:
    keeper = signed_in(billed, Role.BOOKKEEPER)
    shown = look(keeper, billed, camt(Statement(ENTRIES)))
    packed = re.search(r'name="packed" value="([^"]+)"', shown.content.decode())
    assert packed is not None
    _first, second = (keeper.submit(f"{home(billed)}take-in", packed=packed[1]) for _ in range(2))
    assert "Nothing in the file was new" in text_of(keeper.get(second["Location"]))
    assert len(entry_paths(billed)) == 3


def test_a_form_out_of_order_or_of_another_operator_takes_nothing_in(billed: Cast, south: Cast) -> None:
    keeper = signed_in(billed, Role.BOOKKEEPER)
    assert keeper.submit(f"{home(billed)}take-in", packed="x").status_code == 400
    shown = look(keeper, billed, camt(Statement(ENTRIES)))
    packed = re.search(r'name="packed" value="([^"]+)"', shown.content.decode())
    assert packed is not None
    foreign = signed_in(south, Role.BOOKKEEPER).submit(f"{home(south)}take-in", packed=packed[1])
    assert foreign.status_code == 400
    assert entry_paths(south) == []


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (b"", "Choose the file."),
        (b"no xml", "The file is not XML that can be read"),
        (camt(Statement(ENTRIES, closing="0.00")), "does not add up: it opens with 1,000.00"),
    ],
)
def test_an_unfit_file_is_refused_beside_the_file(billed: Cast, body: bytes, said: str) -> None:
    answer = look(signed_in(billed, Role.BOOKKEEPER), billed, body)
    assert answer.status_code in {400, 422}
    assert re.search(rf'class="error"[^>]*>[^<]*{re.escape(said)}', answer.content.decode())


def test_an_account_of_nobody_asks_for_its_issuer(billed: Cast) -> None:
    for code in ("DE", "AT"):
        values = {"legal_name": f"Fixture Care {code}", "country": code}
        parties.set_legal_entity(actor=billed.actors[Role.BOOKKEEPER], code=code, values=values)
    keeper = signed_in(billed, Role.BOOKKEEPER)
    answer = look(keeper, billed, camt(Statement(ENTRIES)), legal_entity="")
    assert answer.status_code == 400
    assert f"No issuer has the account {ACCOUNT}." in text_of(answer)
    told = look(keeper, billed, camt(Statement(ENTRIES)), legal_entity="AT")
    assert "The account is of Fixture Care AT." in text_of(told)


def test_an_entry_is_assigned_by_its_suggestion(billed: Cast) -> None:
    keeper = signed_in(billed, Role.BOOKKEEPER)
    take_in(keeper, billed)
    path = entry_paths(billed)[1]
    shown = text_of(keeper.get(path))
    assert "50.00 EUR came in on 10 Jun 2026." in shown
    assert "It pays INV-000002" in shown

    answer = keeper.submit(f"{path}/assign", documents="INV-000002")
    done = text_of(keeper.get(answer["Location"]))

    assert "The payment is recorded." in done
    assert "Assigned by hand to INV-000002." in done
    assert "Record it as a payment" not in done
    assert left_of(billed) == {}
    assert "Every entry of the bank is settled." in text_of(keeper.get(home(billed)))


def test_an_entry_pays_several_documents_in_their_order(billed: Cast) -> None:
    keeper = signed_in(billed, Role.BOOKKEEPER)
    take_in(keeper, billed, Entry("130.00", "x"))
    (path,) = entry_paths(billed)
    assert keeper.submit(f"{path}/assign", documents="INV-000001, INV-000002").status_code == 302
    assert left_of(billed) == {"INV-000002": "39.00"}


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({}, "Say which customer it came from"),
        ({"documents": "INV-000009"}, "There is no invoice or opening debt with the number INV-000009."),
        ({"documents": "INV-000001"}, "Nothing is left to pay of INV-000001."),
        ({"customer": "Nobody"}, "There is no customer with this code or name."),
    ],
)
def test_what_can_not_be_assigned_is_said_beside_the_field(
    billed: Cast, typed: dict[str, str], said: str
) -> None:
    keeper = signed_in(billed, Role.BOOKKEEPER)
    take_in(keeper, billed)
    path = entry_paths(billed)[1]
    answer = keeper.submit(f"{path}/assign", **typed)
    assert answer.status_code in {400, 422}
    body = answer.content.decode()
    assert re.search(rf'class="error"[^>]*>[^<]*{re.escape(said)}', body)
    assert all(f'value="{value}"' in body for value in typed.values())
    assert left_of(billed) == {"INV-000002": "50.00"}


def test_an_entry_is_kept_for_a_customer_by_name(billed: Cast) -> None:
    keeper = signed_in(billed, Role.BOOKKEEPER)
    take_in(keeper, billed)
    path = entry_paths(billed)[1]
    assert keeper.submit(f"{path}/assign", customer=billed.customer.name.upper()).status_code == 302
    assert "booked, part of it kept" in text_of(keeper.get(path))


def test_an_entry_is_set_aside_with_a_reason(billed: Cast) -> None:
    keeper = signed_in(billed, Role.BOOKKEEPER)
    take_in(keeper, billed)
    path = entry_paths(billed)[1]
    assert keeper.submit(f"{path}/set-aside", reason="").status_code == 422
    answer = keeper.submit(f"{path}/set-aside", reason="A loan")
    shown = text_of(keeper.get(answer["Location"]))
    assert "set aside. A loan" in shown
    # It may still be a payment after all.
    assert "Record it as a payment" in shown
    assert "Or set it aside" not in shown


def test_money_that_went_out_takes_a_payment_back(billed: Cast) -> None:
    keeper = signed_in(billed, Role.BOOKKEEPER)
    take_in(keeper, billed, ENTRIES[0])
    back = Entry("-119.00", "Unpaid", end_to_end="E2E-1", returned="AC04", bank="B-9")
    location = take_in(keeper, billed, back, id="2", opening="1119.00")["Location"]
    page = keeper.get(location).content.decode()
    path = re.search(r'href="([^"]+/bank/entries/[^"]+)"', page)
    assert path is not None
    body = keeper.get(path[1]).content.decode()
    action = re.search(r'action="([^"]+/take-back/[^"]+)"', body)
    assert action is not None
    answer = keeper.submit(action[1])
    assert "what it settled is open again" in text_of(keeper.get(answer["Location"]))
    assert left_of(billed)["INV-000001"] == "119.00"
    assert keeper.submit(action[1]).status_code == 409


def test_who_may_see_the_bank(billed: Cast, south: Cast) -> None:
    keeper = signed_in(billed, Role.BOOKKEEPER)
    take_in(keeper, billed)
    path = entry_paths(billed)[1]
    viewer = signed_in(billed, Role.VIEWER)
    assert "Look at the statement" not in text_of(viewer.get(home(billed)))
    assert "Record it as a payment" not in text_of(viewer.get(path))
    assert viewer.submit(f"{path}/assign", documents="INV-000002").status_code == 403
    assert look(viewer, billed, b"x").status_code == 403
    assert signed_in(billed, Role.DISPATCHER).get(home(billed)).status_code == 403
    assert (
        signed_in(south, Role.BOOKKEEPER)
        .get(path.replace(billed.operator.slug, south.operator.slug))
        .status_code
        == 404
    )
