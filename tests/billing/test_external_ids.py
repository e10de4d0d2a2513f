"""What programs call our rows: one name a row and system, whoever sets it first."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor, wait
from uuid import uuid4

import pytest
from django.db import connections

from accounts.commands import customers
from accounts.errors import BadInput, Conflict, Forbidden, NotFound
from accounts.permissions import Role
from billing.commands import account_maps, naming
from billing.commands.naming import NewName
from billing.models import ExternalId
from billing.queries import naming as named


def test_two_programs_that_name_at_once_leave_one_name(north):
    things = [("customer", north.customer.id, f"D-{number}") for number in range(4)]

    def attempt(thing):
        try:
            naming.set_external_id(actor=north.owner, name=NewName("ledger", *thing))
        except Conflict as refused:
            return refused.detail
        finally:
            connections.close_all()
        return "set"

    with ThreadPoolExecutor(4) as pool:
        fates = list(pool.map(attempt, things))

    with north.reading():
        rows = list(named.external_ids())
    assert len(rows) == 1
    assert rows[0].external_id in {name for _, _, name in things}
    assert "set" in fates
    assert all(fate == "set" or "send it again" in fate for fate in fates)


def test_the_same_name_again_is_the_same_row(north):
    new = NewName("ledger", "customer", north.customer.id, "D-1")
    first = naming.set_external_id(actor=north.owner, name=new)

    again = naming.set_external_id(actor=north.actors[Role.BOOKKEEPER], name=new)

    assert (again.id, again.set_by) == (first.id, first.set_by)


def test_a_system_is_a_word_of_its_own(north):
    for system in ("ledger", "crm", "Ledger-2.0"):
        naming.set_external_id(actor=north.owner, name=NewName(system, "customer", north.customer.id, "D-1"))
    with pytest.raises(BadInput) as no:
        naming.set_external_id(actor=north.owner, name=NewName("a/b", "customer", north.customer.id, "D-1"))
    assert [one.pointer for one in no.value.errors] == ["/0/system"]
    with north.reading():
        assert len(named.external_ids()) == 3
    with pytest.raises(NotFound):
        naming.remove_external_id(
            actor=north.owner, system="books", kind="customer", object_id=north.customer.id
        )


def test_a_kind_that_takes_no_name_and_a_row_that_is_not_there(north):
    for kind, object_id in (("journal_entry", north.customer.id), ("customer", uuid4())):
        with pytest.raises(NotFound) as no:
            naming.set_external_id(actor=north.owner, name=NewName("ledger", kind, object_id, "D-1"))
        assert [one.pointer for one in no.value.errors] == ["/0/id"]


def test_only_who_maps_the_books_names_and_maps(north):
    actor = north.actors[Role.VIEWER]
    with pytest.raises(Forbidden):
        naming.set_external_id(actor=actor, name=NewName("ledger", "site", north.site.id, "S"))
    with pytest.raises(Forbidden):
        naming.remove_external_id(actor=actor, system="ledger", kind="site", object_id=north.site.id)
    with pytest.raises(Forbidden):
        account_maps.map_account(actor=actor, system="ledger", account="1100", external_account="1")
    with pytest.raises(Forbidden):
        account_maps.unmap_account(actor=actor, system="ledger", account="1100")


def test_accounts_in_use_are_those_of_the_chart_until_something_is_booked(north):
    with north.reading():
        used = named.used_accounts()

    assert {one.number for one in used} >= {"1010", "1100", "2010", "4010"}
    assert not any(one.has_entries for one in used)
    assert {one.entity_code for one in used} == {""}


def test_a_customer_that_goes_while_it_is_named_takes_its_name_along(north, monkeypatch):
    row = {"code": "C9", "name": "Lock Hotels", "country": "DE"}
    gone = customers.add_customers(actor=north.owner, customers=[row])[0]
    stored = naming._stored

    def remove():
        try:
            customers.remove_customer(actor=north.owner, customer_id=gone.id)
        finally:
            connections.close_all()

    with ThreadPoolExecutor(1) as other:

        def slowly(*what):
            removal.append(other.submit(remove))
            wait(removal, timeout=0.5)
            return stored(*what)

        removal: list[Future] = []
        monkeypatch.setattr(naming, "_stored", slowly)
        naming.set_external_id(actor=north.owner, name=NewName("books", "customer", gone.id, "D-9"))
        removal[0].result()

    with north.reading():
        assert not ExternalId.objects.filter(external_id="D-9").exists()
