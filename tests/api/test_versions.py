"""ETags of stored versions: who has one need not read again, and changes only what it saw."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from uuid import uuid4

import pytest
from django.db import connections

from accounts.commands import customers
from accounts.commands.places import change_customer
from accounts.permissions import Role
from billing.models import Change
from tests.api.callers import live, program_of, signed_in


@pytest.fixture
def keeper(north):
    return signed_in(north, Role.BOOKKEEPER)


def test_a_document_is_answered_as_ubl_by_accept_at_its_link(north, keeper):
    live(north)
    (invoice,) = [
        one for one in keeper.read("accounting/changes").json()["changes"] if one["kind"] == "invoice"
    ]
    here = invoice["object"]["links"]["self"]
    tag = invoice["object"]["etag"]

    assert keeper.get(here, headers={"if-none-match": tag}).status_code == 304
    assert keeper.get(here, headers={"if-none-match": f'"x", W/{tag}'}).status_code == 304
    assert keeper.get(here, headers={"if-none-match": '"invoice-x-v9"'}).status_code == 200
    assert keeper.get(here, headers={"accept": "application/json"}).json()["id"] == invoice["id"]
    assert keeper.get(here, headers={"accept": "image/png"}).status_code == 406
    letter = keeper.get(here, headers={"accept": "application/pdf", "if-none-match": tag})
    assert (letter.status_code, letter.headers["Content-Type"]) == (200, "application/pdf")
    assert "ETag" not in letter.headers


def test_a_profile_is_changed_only_by_who_saw_its_version(north):
    owner = signed_in(north)
    here = f"customers/{north.customer.id}/billing-profile"
    tag = owner.read(here).headers["ETag"]
    assert tag == f'"customer-{north.customer.id}-v1"'

    changed = owner.send(here, {"payment_days": 7}, headers={"if-match": tag})
    assert changed.status_code == 200
    assert changed.headers["ETag"] == f'"customer-{north.customer.id}-v2"'

    late = owner.send(here, {"payment_days": 8}, headers={"if-match": tag})
    assert late.status_code == 412
    assert owner.read(here).json()["payment_days"] == 7
    # A name changed in between counts as well: the two are one thing to a program.
    change_customer(actor=north.owner, customer_id=north.customer.id, name="Another")
    again = owner.send(here, {"payment_days": 8}, headers={"if-match": changed.headers["ETag"]})
    assert again.status_code == 412
    # A person at a form may leave it out, a program may not.
    assert owner.send(here, {"payment_days": 8}).status_code == 200
    program = program_of(north, "invoices:read", "contracts:manage")
    assert program.send(here, {"payment_days": 9}).status_code == 428
    now = program.read(here).headers["ETag"]
    assert program.send(here, {"payment_days": 9}, headers={"if-match": now}).status_code == 200


def test_a_customer_is_removed_only_while_nothing_hangs_on_it(north):
    owner = signed_in(north)
    one = customers.add_customers(
        actor=north.owner, customers=[{"code": "C2", "name": "Slip", "country": "DE"}]
    )[0]
    here = f"/api/v1/customers/{one.id}"

    assert owner.delete(f"/api/v1/customers/{north.customer.id}").status_code == 409
    assert owner.delete(here, headers={"if-match": f'"customer-{one.id}-v9"'}).status_code == 412
    assert signed_in(north, Role.BOOKKEEPER).delete(here).status_code == 403
    assert owner.delete(here, headers={"if-match": f'"customer-{one.id}-v1"'}).status_code == 204
    assert owner.get(here).status_code == 404
    assert owner.delete(here).status_code == 404
    assert owner.delete(f"/api/v1/customers/{uuid4()}").status_code == 404
    with north.reading():
        assert Change.objects.filter(gone=True).count() == 1


def test_of_many_who_saw_the_same_version_one_changes_it(north):
    """All at once, each on a connection of its own: the first wins, the others are told that it changed."""
    owner = signed_in(north)
    here = f"customers/{north.customer.id}/billing-profile"
    tag = owner.read(here).headers["ETag"]
    together = Barrier(4)

    def change(days):
        client = signed_in(north)
        together.wait()
        try:
            return client.send(here, {"payment_days": days}, headers={"if-match": tag}).status_code, days
        finally:
            connections.close_all()

    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(change, (3, 4, 5, 6)))

    (won,) = [days for status, days in answers if status == 200]
    assert sorted(status for status, _ in answers) == [200, 412, 412, 412]
    assert owner.read(here).json()["payment_days"] == won
    assert owner.read(here).headers["ETag"] == f'"customer-{north.customer.id}-v2"'
