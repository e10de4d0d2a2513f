"""A customer entered by mistake is removed by its page, and one on whom something hangs stays, with the reason."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from accounts import queries
from accounts.commands.customers import add_customers
from accounts.permissions import Role
from billing.commands.opening import NewDebt, record_opening_debts
from billing.commands.parties import set_profile
from billing.queries.parties import billing_profiles
from tests.cast import Cast
from tests.pages.visitors import signed_in, text_of

BUTTON = "Remove the customer"


def codes(cast: Cast) -> list[str]:
    with cast.reading():
        return [one.code for one in queries.customers()]


def test_a_customer_without_anything_is_removed_with_how_it_is_billed(north: Cast) -> None:
    made = add_customers(actor=north.owner, customers=[{"code": "C2", "name": "Slip", "country": "DE"}])[0]
    set_profile(actor=north.owner, customer_id=made.id, values={"payment_days": 7})
    visitor = signed_in(north, Role.DISPATCHER)
    here = f"/{north.operator.slug}/set-up"

    assert BUTTON in text_of(visitor.get(f"{here}/customers/C2"))
    answer = visitor.submit(f"{here}/remove-customer/C2")

    assert (answer.status_code, answer["Location"]) == (302, f"{here}/customers/")
    assert codes(north) == ["C1"]
    with north.reading():
        assert not billing_profiles().exists()
    assert visitor.submit(f"{here}/remove-customer/C2").status_code == 404


def test_a_customer_with_a_site_has_no_such_button_and_stays(north: Cast) -> None:
    visitor = signed_in(north, Role.OWNER)
    here = f"/{north.operator.slug}/set-up"

    assert BUTTON not in text_of(visitor.get(f"{here}/customers/C1"))
    answer = visitor.submit(f"{here}/remove-customer/C1")

    assert answer.status_code == 409
    assert "Something is recorded of this customer already" in text_of(answer)
    assert codes(north) == ["C1"]


def test_a_customer_with_a_debt_stays_and_is_told_why(north: Cast) -> None:
    made = add_customers(actor=north.owner, customers=[{"code": "C2", "name": "Owes", "country": "DE"}])[0]
    debt = NewDebt(made.id, "OLD-1", date(2026, 1, 5), Decimal(80))
    record_opening_debts(actor=north.owner, debts=[debt])
    visitor = signed_in(north, Role.OWNER)

    answer = visitor.submit(f"/{north.operator.slug}/set-up/remove-customer/C2")

    assert answer.status_code == 409
    assert "So it stays; nothing was removed." in text_of(answer)
    assert codes(north) == ["C1", "C2"]


def test_who_manages_no_customers_removes_none(north: Cast) -> None:
    add_customers(actor=north.owner, customers=[{"code": "C2", "name": "Slip", "country": "DE"}])
    for role in (Role.BOOKKEEPER, Role.VIEWER, Role.CREW_MEMBER):
        answer = signed_in(north, role).submit(f"/{north.operator.slug}/set-up/remove-customer/C2")
        assert answer.status_code == 403
    assert codes(north) == ["C1", "C2"]
