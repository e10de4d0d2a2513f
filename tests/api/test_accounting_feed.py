"""The accounting feed as a program follows it: whole, in order, each thing as its own door shows it; and its tokens."""

from __future__ import annotations

import json
from datetime import date
from decimal import Decimal
from typing import Any

import jsonschema
import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from accounts.commands import customers as customer_commands
from accounts.commands.places import change_customer
from accounts.permissions import Role
from billing.api.feed import READ_BY
from billing.commands.allocating import allocate_credit
from billing.commands.parties import set_profile
from billing.commands.payments import NewPayment, record_payment
from billing.models import ExternalId
from billing.rules.feed_tokens import TokenWriter, epoch_of, read_token
from tests.api.callers import live, program_of, refused, signed_in
from tests.billing.books_of_account import Said, content, issue

FEED = "accounting/changes"


@pytest.fixture
def keeper(north):
    return signed_in(north, Role.BOOKKEEPER)


def customer(cast, code, **more):
    row = {"code": code, "name": f"Customer {code}", "country": "DE", **more}
    return customer_commands.add_customers(actor=cast.owner, customers=[row])[0]


def paid(cast, amount="10.00", **more):
    new = NewPayment(cast.customer.id, date(2026, 6, 10), Decimal(amount), **more)
    return record_payment(actor=cast.owner, payment=new)


def page(api, after=None, **more):
    answer = api.read(FEED, **({"after": after} if after else {}), **more)
    assert answer.status_code == 200, answer.content
    return answer.json()


def followed(api, after=None, **more):
    """Every change after a token, page by page, and the token behind the last."""
    changes: list[dict[str, Any]] = []
    while True:
        one = page(api, after, **more)
        changes += one["changes"]
        after = one["next"]
        if not one["more"]:
            return changes, after


def keys(changes):
    return [(one["kind"], one["id"]) for one in changes]


def test_everything_is_told_from_the_beginning_once_and_in_the_order_of_the_commits(north, keeper):
    first, second = customer(north, "C2"), customer(north, "C3")
    payment = paid(north)
    change_customer(actor=north.owner, customer_id=first.id, name="Another name")

    changes, _ = followed(keeper)

    assert keys(changes)[:1] == [("customer", str(north.customer.id))]
    assert keys(changes)[-1] == ("customer", str(first.id))
    assert [one["kind"] for one in changes] == [
        "customer",
        "customer",
        "payment",
        "journal_entry",
        "customer",
    ]
    assert len(set(keys(changes))) == len(changes)
    assert {one["id"]: one["version"] for one in changes if one["kind"] == "customer"} == {
        str(north.customer.id): 1,
        str(second.id): 1,
        str(first.id): 2,
    }
    assert changes[-1]["object"]["name"] == "Another name"
    assert str(payment.id) in {one["id"] for one in changes}


@pytest.mark.parametrize("limit", [1, 2, 3, 500])
def test_pages_of_any_size_give_the_same(north, keeper, limit):
    live(north)
    whole, end = followed(keeper, limit=500)
    assert len(whole) > 8

    assert followed(keeper, limit=limit) == (whole, end)
    assert page(keeper, end) == {"changes": [], "next": end, "more": False}


def test_each_changes_own_token_reads_on_behind_it(north, keeper):
    live(north)
    whole, _ = followed(keeper)

    for at, change in enumerate(whole):
        assert keys(followed(keeper, change["token"])[0]) == keys(whole[at + 1 :])


def test_a_thing_that_changes_again_is_told_again_behind_the_token(north, keeper):
    one = customer(north, "C2")
    _, token = followed(keeper)
    set_profile(actor=north.owner, customer_id=one.id, values={"payment_days": 7})
    set_profile(actor=north.owner, customer_id=one.id, values={"payment_days": 9})

    changes, onward = followed(keeper, token)

    assert [(change["id"], change["version"]) for change in changes] == [(str(one.id), 3)]
    assert changes[0]["object"]["billing_profile"]["payment_days"] == 9
    assert followed(keeper, onward)[0] == []
    # Whoever lost its last page reads it again.
    assert followed(keeper, token)[0] == changes


def test_nothing_is_told_of_what_was_given_up_or_stayed_as_it_was(north, keeper):
    one = customer(north, "C2")
    _, token = followed(keeper)

    change_customer(actor=north.owner, customer_id=one.id, name=one.name)
    with pytest.raises(Exception, match="code"):
        customer_commands.add_customers(
            actor=north.owner,
            customers=[
                {"code": "C3", "name": "New", "country": "DE"},
                {"code": "C2", "name": "Taken", "country": "DE"},
            ],
        )

    assert followed(keeper, token)[0] == []


def test_a_removed_customer_leaves_a_tombstone_and_its_names_are_free(north, keeper):
    one = customer(north, "C2")
    set_profile(actor=north.owner, customer_id=one.id, values={"payment_days": 7})
    with_name(north, one.id, "BOOKS-2")
    _, token = followed(keeper)

    customer_commands.remove_customer(actor=north.owner, customer_id=one.id)

    (gone,), _ = followed(keeper, token)
    assert (gone["kind"], gone["id"], gone["gone"], gone["object"]) == ("customer", str(one.id), True, None)
    assert gone["version"] == 4
    assert [change["gone"] for change in followed(keeper)[0]] == [False, True]
    with north.reading():
        assert not ExternalId.objects.exists()


def with_name(cast, customer_id, name):
    from accounts import clock, tenancy

    with tenancy.writing(cast.owner):
        return ExternalId.objects.create(
            system="books", kind="customer", object_id=customer_id, external_id=name, set_at=clock.now()
        )


def test_what_a_program_calls_a_customer_is_told_with_it(north, keeper):
    _, token = followed(keeper)
    with_name(north, north.customer.id, "BOOKS-1")

    (change,), _ = followed(keeper, token)

    assert change["object"]["external_ids"] == {"books": "BOOKS-1"}
    assert change["version"] == 2


def test_a_customer_without_a_profile_is_told_with_the_usual_values(north, keeper):
    (change,), _ = followed(keeper)
    shown = keeper.read(f"customers/{north.customer.id}/billing-profile").json()

    assert {**change["object"]["billing_profile"], "customer": str(north.customer.id)} == shown


def test_each_thing_is_told_as_its_own_door_shows_it(north, keeper):
    live(north)
    changes, _ = followed(keeper)
    doors = {
        "invoice": lambda one: keeper.read(f"invoices/{one['number']}"),
        "credit_note": lambda one: keeper.read(f"credit-notes/{one['number']}"),
        "payment": lambda one: keeper.read(f"payments/{one['id']}"),
        "refund": lambda one: keeper.read(f"refunds/{one['id']}"),
        "customer": lambda one: keeper.read(f"customers/{one['id']}"),
    }

    seen = set()
    for change in changes:
        thing, kind = change["object"], change["kind"]
        assert thing["etag"] == f'"{kind}-{change["id"]}-v{change["version"]}"'
        if kind in doors:
            seen.add(kind)
            answer = doors[kind](thing)
            shown = answer.json()
            said = shown.pop("document", {})
            assert {name: thing[name] for name in shown} == shown
            assert answer.headers["ETag"] == thing["etag"]
            for name in ("tax_groups", "cash_rounding", "payable") if said else ():
                assert thing[name] == said[name]
    assert seen == set(doors)


def test_entries_are_told_as_the_list_of_them_shows_them(north, keeper):
    live(north)
    told = {one["id"]: one["object"] for one in followed(keeper)[0] if one["kind"] == "journal_entry"}
    listed = {one["key"]: one for one in keeper.read("journal-entries", limit=200).json()["results"]}

    assert {one["key"] for one in told.values()} == set(listed)
    for one in told.values():
        assert {name: one[name] for name in listed[one["key"]]} == listed[one["key"]]


def test_the_links_of_a_document_lead_to_it(north, keeper):
    live(north)
    found = 0
    for change in followed(keeper)[0]:
        links = (change["object"] or {}).get("links", {})
        if links.get("self"):
            found += 1
            assert keeper.get(links["self"]).json()["id"] == change["id"]
            assert keeper.get(links["lines"]).json()["results"]
            if links["ubl"]:
                assert keeper.get(links["ubl"]).headers["Content-Type"] == "application/xml"
    assert found == 2


def test_a_credit_note_is_told_again_when_it_settles(north, keeper):
    invoice = issue(north, content("invoice", [Said("100.00")]))
    issue(north, content("invoice", [Said("50.00")], number="INV-000002"))
    paid(north, "100.00", allocations=[("INV-000001", Decimal(100))])
    given = content("credit_note", [Said("30.00")], number="CRN-000001", due_on=None)
    note = issue(north, given, corrects=invoice)
    _, token = followed(keeper)

    allocate_credit(actor=north.owner, credit_note=note.number, allocations=[("INV-000002", Decimal(20))])

    told = {one["kind"]: one for one in followed(keeper, token)[0]}
    credit = told["credit_note"]["object"]
    assert (credit["payable"], credit["left"], credit["refunded"]) == ("30.00", "10.00", "0.00")
    assert [(one["document"], one["amount"], one["undoes"]) for one in credit["allocations"]] == [
        ("INV-000002", "20.00", None)
    ]
    assert told["credit_note"]["version"] == 2


@pytest.mark.parametrize(
    ("scope", "kinds"),
    [
        ("customers:read", {"customer"}),
        ("journal:read", {"journal_entry"}),
        ("payments:read", {"payment", "refund"}),
        ("invoices:read", {"invoice", "credit_note", "opening"}),
        ("sites:read", set()),
    ],
)
def test_only_kinds_that_the_reader_may_read_are_told(north, scope, kinds):
    live(north)
    whole, end = followed(program_of(north))

    some, token = followed(program_of(north, "changes:read", scope), limit=1)

    assert keys(some) == [(one["kind"], one["id"]) for one in whole if one["kind"] in kinds]
    # It stands behind the others too: nothing is looked through twice.
    here, there = (read_token(one, north.operator.id) for one in (token, end))
    assert (here.position, here.kinds) == (there.position, kinds)


def test_who_sees_more_than_a_tokens_reader_is_told_to_begin_again(north):
    live(north)
    whole, _ = followed(program_of(north))
    few = ("changes:read", "customers:read")
    _, token = followed(program_of(north, *few))

    answer = program_of(north, *few, "payments:read", "journal:read").read(FEED, after=token)

    assert (answer.status_code, answer.json()["type"].rpartition("/")[2]) == (410, "feed-token-expired")
    assert "journal_entry, payment, refund" in answer.json()["detail"]
    assert answer["Link"] == '</api/v1/accounting/changes>; rel="start"'
    # A reader of fewer kinds goes on.
    _, end = followed(program_of(north))
    assert program_of(north, *few).read(FEED, after=end).json()["changes"] == []
    assert whole


def test_who_may_not_read_changes_is_refused(north):
    for role in (Role.DISPATCHER, Role.CREW_MEMBER, Role.NETWORK):
        assert signed_in(north, role).read(FEED).status_code == 403
    assert signed_in(north, Role.VIEWER).read(FEED).status_code == 200
    assert Client().get(f"/api/v1/{FEED}", secure=True).status_code == 401


@pytest.mark.parametrize("token", ["", "x", "0" * 32, "A" * 31, "A" * 4000, "é" * 32, "AAAA\x00" + "A" * 27])
def test_what_is_no_token_is_refused(keeper, token):
    assert refused(keeper.read(FEED, after=token), 400) == ["/after"]


def test_a_token_changed_in_one_character_is_refused(north, keeper):
    token = page(keeper)["next"]
    for at in range(len(token)):
        other = token[:at] + ("A" if token[at] != "A" else "B") + token[at + 1 :]
        assert refused(keeper.read(FEED, after=other), 400) == ["/after"]


def test_a_rivals_token_is_refused(north, south, keeper):
    token = page(signed_in(south))["next"]
    assert refused(keeper.read(FEED, after=token), 400) == ["/after"]


def test_a_token_of_another_history_or_of_the_future_leads_to_the_whole(north, keeper):
    now = read_token(page(keeper)["next"], north.operator.id)
    restored = TokenWriter(north.operator.id, b"another!")(now.position)
    ahead = TokenWriter(north.operator.id, now.epoch)(now.position + 1)

    for token in (restored, ahead):
        answer = keeper.read(FEED, after=token)
        assert answer.status_code == 410
        problem = answer.json()
        assert problem["type"].endswith("/problems/feed-token-expired")
        assert "/api/v1/accounting/changes" in problem["detail"]
        assert answer.headers["Link"] == '</api/v1/accounting/changes>; rel="start"'


def test_a_history_is_told_by_cluster_timeline_database_and_table(north, keeper, superuser):
    """The first two change with a physical restore or a failover, the others when a dump is read back."""
    token = read_token(page(keeper)["next"], north.operator.id)
    identity = superuser.execute(
        "SELECT system_identifier, lpad(to_hex(timeline_id), 8, '0'), 'billing_change'::regclass::oid, d.oid "
        "FROM pg_control_system(), pg_control_checkpoint(), pg_database d WHERE datname = current_database()"
    ).fetchone()

    assert token.epoch == epoch_of(*identity)
    for at in range(len(identity)):
        assert token.epoch != epoch_of(*identity[:at], f"{identity[at]}1", *identity[at + 1 :])


@pytest.mark.parametrize("limit", ["0", "501", "-1", "many", "1.5", "", "٣"])
def test_a_limit_that_can_not_be_is_refused(keeper, limit):
    assert refused(keeper.read(FEED, limit=limit), 400) == ["/limit"]


def test_only_json_is_answered(keeper):
    assert keeper.get(f"/api/v1/{FEED}", headers={"accept": "application/json"}).status_code == 200
    assert keeper.get(f"/api/v1/{FEED}", headers={"accept": "application/xml"}).status_code == 406
    assert keeper.head(f"/api/v1/{FEED}").status_code == 200
    assert keeper.post(f"/api/v1/{FEED}").status_code in {403, 405}


def test_every_answer_is_as_the_schema_says(north, keeper):
    live(north)
    schema = keeper.read("schema").json()
    shape = schema["components"]["schemas"]["Changes"]
    answer = page(keeper, limit=500)
    kinds = {one["kind"] for one in answer["changes"]}
    assert kinds == set(READ_BY)

    jsonschema.Draft202012Validator({**shape, "components": schema["components"]}).validate(answer)

    broken = json.loads(json.dumps(answer))
    broken["changes"][0]["object"]["id"] = 7
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator({**shape, "components": schema["components"]}).validate(broken)


def test_a_page_of_many_asks_the_database_no_more_often_than_a_page_of_few(north, keeper):
    live(north)

    def asked():
        with CaptureQueriesContext(connection) as queries:
            changes = page(keeper, limit=500)["changes"]
        return len(queries), len(changes)

    few, some = asked()
    for number in range(30):
        paid(north, "1.00", reference=f"Again {number}")
        customer(north, f"D{number}")
    many, most = asked()

    assert most > some + 60
    assert many == few <= 25
