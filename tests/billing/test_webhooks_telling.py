"""Changes become messages: each once, in the order of the feed, thin, and never thousands of them."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor, wait
from decimal import Decimal
from itertools import pairwise
from uuid import UUID

import pytest
from django.db import connections

from accounts import clock, tenancy
from accounts.commands import customers
from accounts.permissions import Role
from billing import tasks
from billing.commands.opening import NewDebt, record_opening_debts
from billing.commands.payments import NewPayment, record_payment
from billing.commands.webhooks import endpoints, replaying, telling
from billing.models import Change
from billing.queries import webhooks
from billing.queries.feed import changes
from billing.rules.feed_tokens import read_token
from tests.billing import hooks
from tests.billing.books_of_account import Said, content, issue


def told_types(cast):
    return [body["type"] for body in hooks.bodies(cast)]


def test_a_change_owes_a_message_in_its_own_transaction_and_what_was_before_is_not_told(north):
    hooks.add_customers(north, 1, "OLD")
    hooks.add(north)
    hooks.tell(north)
    assert hooks.deliveries(north) == []

    hooks.add_customers(north, 1)
    assert len(hooks.owed(north, hooks.TELL)) == 1
    hooks.tell(north)

    (body,) = hooks.bodies(north)
    assert body["type"] == "customer.changed"
    assert {name: body["data"][name] for name in ("kind", "version", "gone", "sequence")} == {
        "kind": "customer",
        "version": 1,
        "gone": False,
        "sequence": 1,
    }


def test_nothing_is_owed_where_nobody_wants_to_know(north):
    hooks.add_customers(north, 1)

    assert hooks.owed(north, hooks.TELL) == []


def test_messages_come_in_the_order_of_the_feed_and_their_tokens_read_on_to_what_they_tell(north):
    hooks.add(north)
    issue(north, content("invoice", [Said("100.00")], [("DE", "19.00")]))
    hooks.add_customers(north, 3)
    hooks.tell(north)

    with north.reading():
        positions = {row.object_id: row.position for row in Change.objects.all()}
        head = changes.history()
    made = [body["data"] for body in hooks.bodies(north)]
    assert [one["sequence"] for one in made] == list(range(1, len(made) + 1))
    assert {one["kind"] for one in made} == {"invoice", "journal_entry", "customer"}
    at = [positions[UUID(one["id"])] for one in made]
    assert all(a < b for a, b in pairwise(at))
    for one, position in zip(made, at, strict=True):
        token = read_token(one["feed_token"], north.operator.id)
        assert token.epoch == head.epoch
        with north.reading():
            page = changes.changes_after(token.position, kinds=[one["kind"]], limit=1, head=head.head)
        assert (str(page.changes[0].id), page.changes[0].position) == (one["id"], position)


def test_a_thing_that_changed_twice_is_told_once_as_it_stands(north):
    hooks.add(north)
    hooks.add_customers(north, 1)
    with north.reading():
        (changed,) = (row for row in Change.objects.filter(kind="customer").order_by("-position")[:1])
    customers.set_billing_email(
        actor=north.owner, customer_id=changed.object_id, email="accounts@quay.example"
    )
    hooks.tell(north)

    (body,) = hooks.bodies(north)
    assert body["data"]["version"] == 2


def test_a_message_is_thin_and_says_nothing_of_what_changed(north):
    hooks.add(north)
    issue(north, content("invoice", [Said("100.00")], [("DE", "19.00")]))
    hooks.tell(north)

    for one in hooks.deliveries(north):
        body = json.loads(one.body)
        # Standard Webhooks 1.0.0, "Payload structure": type, timestamp, data; "it's recommended to be under 20kb".
        assert set(body) == {"type", "timestamp", "data"}
        assert set(body["data"]) == {"kind", "id", "version", "gone", "feed_token", "sequence"}
        assert len(one.body) < 500
        assert "100.00" not in one.body


def test_an_endpoint_is_told_of_the_kinds_that_it_wants(north):
    some = hooks.add(north, kinds=["payment", "invoice"]).endpoint
    every = hooks.add(north, url="https://other.quay.example/", kinds=[]).endpoint
    issue(north, content("invoice", [Said("100.00")], [("DE", "19.00")]))
    hooks.add_customers(north, 1)
    hooks.tell(north)

    first, second = (
        [one.type for one in hooks.deliveries(north) if one.endpoint_id == endpoint.id]
        for endpoint in (some, every)
    )
    assert first == ["invoice.changed"]
    assert sorted(second) == ["customer.changed", "invoice.changed", "journal_entry.changed"]


def test_what_is_gone_is_told_as_gone(north):
    hooks.add_customers(north, 1)
    hooks.add(north)
    with north.reading():
        object_id = Change.objects.filter(kind="customer").latest("position").object_id
    customers.remove_customer(actor=north.owner, customer_id=object_id)
    hooks.tell(north)

    (body,) = hooks.bodies(north)
    assert (body["type"], body["data"]["gone"], body["data"]["id"]) == (
        "customer.gone",
        True,
        str(object_id),
    )


def test_a_hundred_changes_are_told_each_and_more_than_that_as_one(north):
    hooks.add(north)
    hooks.add_customers(north, 100, "A")
    hooks.tell(north)
    assert told_types(north) == ["customer.changed"] * 100
    hooks.deliver(north, hooks.taking())

    hooks.add_customers(north, 101, "B")
    hooks.tell(north)
    last = hooks.bodies(north)[-1]
    assert len(hooks.deliveries(north)) == 101
    assert (last["type"], last["data"]["count"], last["data"]["sequence"]) == ("changes.available", 101, 101)
    token = read_token(last["data"]["feed_token"], north.operator.id)
    with north.reading():
        page = changes.changes_after(
            token.position, kinds=["customer"], limit=500, head=changes.history().head
        )
    assert len(page.changes) == 101


def test_while_many_wait_nothing_piles_up_and_all_is_told_in_the_end(north):
    hooks.add(north)
    for part in "ABC":
        hooks.add_customers(north, 60, part)
        hooks.tell(north)
    # 60 each, then one for the next 60; the last 60 wait for room.
    assert told_types(north) == ["customer.changed"] * 60 + ["changes.available"]

    receiver = hooks.taking()
    while hooks.tell(north) + hooks.deliver(north, receiver):
        pass

    said = [body["data"].get("count", 1) for _, _, body in receiver.got]
    assert sum(said) == 180
    with north.reading():
        assert hooks.stored(north, endpoints_of(north)[0]).told_position == changes.history().head


def test_what_is_sent_once_more_makes_no_message_about_nothing(north):
    endpoint = hooks.add(north, kinds=["customer"]).endpoint
    for part in "AB":
        hooks.add_customers(north, 60, part)
        hooks.tell(north)
        hooks.deliver(north, hooks.taking())
    assert replaying.replay_since(actor=north.owner, endpoint_id=endpoint.id, since=clock.now()) == 120

    # A change of which this endpoint wants nothing.
    record_payment(
        actor=north.actors[Role.BOOKKEEPER],
        payment=NewPayment(north.customer.id, clock.now().date(), Decimal(25)),
    )
    hooks.tell(north)

    assert told_types(north) == ["customer.changed"] * 120
    with north.reading():
        assert hooks.stored(north, endpoint).told_position == changes.history().head


def endpoints_of(cast):
    with cast.reading():
        return list(webhooks.endpoints())


def test_many_jobs_are_done_by_one_and_a_second_run_tells_nothing_twice(north):
    hooks.add(north)
    for number in range(5):
        hooks.add_customers(north, 1, f"X{number}-")
    waiting = hooks.owed(north, hooks.TELL)
    # Those of the endpoint itself and of each of five transactions.
    assert len(waiting) == 6

    tasks.tell(str(north.operator.id), str(waiting[0].id))
    assert hooks.owed(north, hooks.TELL) == []
    for job in waiting:
        tasks.tell(str(north.operator.id), str(job.id))
    assert len(hooks.deliveries(north)) == 5


def test_two_workers_that_tell_at_once_tell_each_change_once(north):
    hooks.add(north)
    hooks.tell(north)
    for number in range(20):
        hooks.add_customers(north, 2, f"T{number}-")

    def work(job):
        try:
            return telling.tell(north.operator.id, job.id)
        finally:
            connections.close_all()

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(work, hooks.owed(north, hooks.TELL)))

    made = hooks.deliveries(north)
    assert [one.sequence for one in made] == list(range(1, 41))
    assert len({json.loads(one.body)["data"]["id"] for one in made}) == 40


def test_a_stopped_endpoint_is_told_what_it_missed_once_it_starts(north):
    made = hooks.add(north)
    endpoints.stop_endpoint(actor=north.owner, endpoint_id=made.endpoint.id)
    hooks.add_customers(north, 2)
    hooks.tell(north)
    assert hooks.deliveries(north) == []

    endpoints.start_endpoint(actor=north.owner, endpoint_id=made.endpoint.id)
    hooks.tell(north)
    assert told_types(north) == ["customer.changed"] * 2


@pytest.mark.parametrize("how", ["new", "started"])
def test_a_change_that_is_not_committed_yet_is_told_to_an_endpoint_that_begins_meanwhile(north, how):
    if how == "started":
        endpoint = hooks.add(north).endpoint
        endpoints.stop_endpoint(actor=north.owner, endpoint_id=endpoint.id)
        hooks.tell(north)

    def begin():
        try:
            if how == "new":
                hooks.add(north)
            else:
                endpoints.start_endpoint(actor=north.owner, endpoint_id=endpoint.id)
            hooks.tell(north)
        finally:
            connections.close_all()

    with ThreadPoolExecutor(1) as pool:
        with tenancy.one_transaction(north.owner):
            hooks.add_customers(north, 1)
            with north.reading():  # notes the change, which owes nothing: there is no endpoint to be seen
                begun = pool.submit(begin)
                wait([begun], timeout=0.5)
        begun.result()

    assert told_types(north) == ["customer.changed"]


def test_a_rivals_changes_are_told_to_nobody_else(north, south):
    hooks.add(north)
    hooks.tell(north)
    hooks.add_customers(south, 2)

    assert hooks.owed(north, hooks.TELL) == []
    assert hooks.owed(south, hooks.TELL) == []
    assert hooks.deliveries(north) == []


@pytest.mark.parametrize("what", ["payment", "opening"])
def test_what_the_feed_tells_the_endpoints_hear(north, what):
    hooks.add(north, kinds=[what])
    if what == "opening":
        record_opening_debts(
            actor=north.owner,
            debts=[NewDebt(north.customer.id, "OLD-1", clock.now().date().replace(day=1), Decimal(80))],
        )
    else:
        record_payment(
            actor=north.actors[Role.BOOKKEEPER],
            payment=NewPayment(north.customer.id, clock.now().date(), Decimal(25)),
        )
    hooks.tell(north)

    assert told_types(north) == [f"{what}.changed"]
    with tenancy.reading(north.owner):
        change = Change.objects.get(kind=what)
    assert hooks.bodies(north)[0]["data"]["id"] == str(change.object_id)
