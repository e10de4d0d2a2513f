"""Where a customer's documents are mailed: changed by who sends documents, for what is sent from then on."""

from __future__ import annotations

import pytest

from accounts import queries
from accounts.commands import customers
from accounts.errors import BadInput, Forbidden, NotFound
from accounts.permissions import Role


def address(cast):
    with cast.reading():
        return queries.get_customer(cast.customer.id).billing_email


def test_an_address_is_changed_and_taken_away(north):
    bookkeeper = north.actors[Role.BOOKKEEPER]
    customers.set_billing_email(
        actor=bookkeeper, customer_id=north.customer.id, email="accounts@quay.example"
    )
    changed = address(north)
    customers.set_billing_email(actor=bookkeeper, customer_id=north.customer.id, email="")

    assert (changed, address(north)) == ("accounts@quay.example", "")


def test_what_is_no_address_is_refused(north):
    with pytest.raises(BadInput) as odd:
        customers.set_billing_email(actor=north.owner, customer_id=north.customer.id, email="quay")

    assert [problem.pointer for problem in odd.value.errors] == ["/email"]
    assert address(north) == ""


def test_only_who_sends_documents_changes_it(north, south):
    for role in (Role.VIEWER, Role.DISPATCHER, Role.CREW_MEMBER, Role.NETWORK):
        with pytest.raises(Forbidden):
            customers.set_billing_email(
                actor=north.actors[role], customer_id=north.customer.id, email="a@b.example"
            )
    with pytest.raises(NotFound):
        customers.set_billing_email(actor=south.owner, customer_id=north.customer.id, email="a@b.example")
    assert address(north) == ""
