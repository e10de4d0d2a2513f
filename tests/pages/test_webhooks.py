"""An owner sets up webhooks, sees what failed and why, and sends it once more."""

from __future__ import annotations

import re

import pytest

from accounts.permissions import Role
from billing.commands.webhooks import endpoints
from billing.commands.webhooks.wire import Answer
from billing.queries import webhooks
from tests.billing import hooks
from tests.pages.visitors import signed_in, text_of


@pytest.fixture
def owner(north):
    return signed_in(north, Role.OWNER)


@pytest.fixture
def pages(north):
    return f"/{north.operator.slug}/money/webhooks/"


@pytest.fixture
def told(north):
    """An endpoint with one message that waits."""
    made = hooks.add(north, description="Books")
    hooks.add_customers(north, 1)
    hooks.tell(north)
    return made.endpoint


def test_an_endpoint_is_added_with_a_secret_shown_once(north, owner, pages):
    assert "No program is told of changes." in text_of(owner.get(pages))

    answer = owner.submit(
        f"/{north.operator.slug}/money/new-webhook",
        url=hooks.URL,
        description="Books",
        kinds=["invoice", "payment"],
    )
    (secret,) = re.findall(r"whsec_[A-Za-z0-9+/=]+", answer.content.decode())
    assert "This is its signing secret." in text_of(answer)
    listed = owner.get(pages)
    assert "1 endpoint is told of changes." in text_of(listed)
    (link,) = set(re.findall(rf'href="({pages}[0-9a-f-]{{36}})"', listed.content.decode()))
    page = owner.get(link)
    assert secret not in listed.content.decode() + page.content.decode()
    assert "Nothing was sent yet: a message goes out with the next change." in text_of(page)
    with north.reading():
        (stored,) = webhooks.endpoints()
    assert stored.kinds == ["invoice", "payment"]


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("http://books.quay.example/", "Write the address as https://"),
        ("https://localhost/", "“localhost” is not on the internet."),
        ("", "Fill this in."),
    ],
)
def test_an_address_that_can_not_be_is_said_beside_the_field_and_kept(north, owner, typed, said):
    answer = owner.submit(f"/{north.operator.slug}/money/new-webhook", url=typed, description="Books")

    assert answer.status_code in {400, 422}
    assert said in text_of(answer)
    assert f'value="{typed}"' in answer.content.decode() or not typed
    assert 'value="Books"' in answer.content.decode()


def test_what_failed_is_told_in_a_sentence_and_sent_once_more(north, owner, pages, told):
    hooks.deliver(north, hooks.Receiver(Answer("timed_out", "answer-timeout")))
    page = owner.get(f"{pages}{told.id}")
    text = text_of(page)
    assert "The last message did not arrive, and 1 waits." in text
    assert "Customer changed" in text
    assert "The receiver did not answer within 10 seconds." in text
    (link,) = re.findall(rf'href="({pages}{told.id}/deliveries/[0-9a-f-]{{36}})"', page.content.decode())

    answer = owner.submit(link)
    assert answer.status_code == 302
    assert "It is on its way once more." in text_of(owner.get(answer["Location"]))
    hooks.deliver(north, hooks.taking())
    text = text_of(owner.get(link))
    assert "Customer changed: delivered" in text
    assert "The receiver did not answer within 10 seconds." in text
    assert "Delivered. The receiver answered 200." in text


def test_the_log_is_asked_for_what_stands_so(north, owner, pages, told):
    hooks.deliver(north, hooks.taking())
    page = f"{pages}{told.id}"

    assert "Customer changed" in text_of(owner.get(page, {"state": "delivered"}))
    assert "No message stands so." in text_of(owner.get(page, {"state": "given_up"}))
    assert owner.get(page, {"state": "odd"}).status_code == 200


def test_a_stopped_endpoint_is_a_notice_with_what_to_do_and_starts_again(north, owner, pages, told):
    hooks.deliver(north, hooks.Receiver(Answer("gone", "gone", 410)))
    assert "it was stopped because its receiver takes nothing" in text_of(owner.get(pages))
    page = f"{pages}{told.id}"
    assert "answered that it wants no more messages (HTTP 410)" in text_of(owner.get(page))
    refused = owner.submit(f"{page}/test")
    assert refused.status_code == 409
    assert "This endpoint is stopped" in text_of(refused)

    answer = owner.submit(f"{page}/start")
    assert "It runs again" in text_of(owner.get(answer["Location"]))
    assert hooks.stored(north, told).stopped_at is None


def test_it_is_changed_stopped_tried_and_removed(north, owner, pages, told):
    page = f"{pages}{told.id}"
    odd = owner.submit(page, url="ftp://books.quay.example/", description="Ledger")
    assert odd.status_code == 400
    assert 'value="ftp://books.quay.example/"' in odd.content.decode()

    saved = owner.submit(page, url="https://new.quay.example/", description="Ledger", kinds=["refund"])
    assert "The endpoint is saved." in text_of(owner.get(saved["Location"]))
    assert (hooks.stored(north, told).url, hooks.stored(north, told).kinds) == (
        "https://new.quay.example/",
        ["refund"],
    )
    owner.submit(f"{page}/test")
    assert hooks.deliveries(north)[-1].type == "endpoint.test"
    owner.submit(f"{page}/stop")
    assert hooks.stored(north, told).stopped_why == "by_hand"
    gone = owner.submit(f"{page}/remove")
    assert "The endpoint is removed" in text_of(owner.get(gone["Location"]))
    assert owner.get(page).status_code == 404


def test_a_new_secret_is_shown_once_with_how_long_the_one_before_signs(north, owner, pages, told):
    answer = owner.submit(f"{pages}{told.id}/rotate", overlap="24")

    assert "whsec_" in answer.content.decode()
    assert "The secret before signs as well until Tue 16 Jun, 14:00." in text_of(answer)
    assert "whsec_" not in owner.get(f"{pages}{told.id}").content.decode()
    assert owner.submit(f"{pages}{told.id}/rotate", overlap="9999").status_code == 422
    third = owner.submit(f"{pages}{told.id}/rotate", overlap="24")
    assert (third.status_code, "whsec_" in third.content.decode()) == (409, False)
    assert "Two secrets sign already." in text_of(third)
    assert "whsec_" in owner.submit(f"{pages}{told.id}/rotate", overlap="0").content.decode()


def test_messages_since_a_time_of_the_operators_own_are_sent_once_more(north, owner, pages, told, later):
    hooks.deliver(north, hooks.taking())
    later(hours=1)
    owner = signed_in(north, Role.OWNER)
    hooks.add_customers(north, 2, "LATER")
    hooks.tell(north)
    hooks.deliver(north, hooks.taking())
    page = f"{pages}{told.id}/replay"

    # 14:00 in Berlin is noon in UTC, when the first was made; half an hour later are the other two.
    none = owner.submit(page, since="2026-06-15T14:30", which="failed")
    assert none.status_code == 422
    assert "There is no such message." in text_of(none)
    answer = owner.submit(page, since="2026-06-15T14:30", which="all")
    assert answer.status_code == 302
    receiver = hooks.taking()
    assert hooks.deliver(north, receiver) == 2
    assert sorted(body["data"]["sequence"] for _, _, body in receiver.got) == [2, 3]
    assert owner.submit(page, since="yesterday", which="all").status_code == 422


@pytest.mark.parametrize("role", [role for role in Role if role is not Role.OWNER])
def test_nobody_but_an_owner_gets_there(north, pages, told, role):
    visitor = signed_in(north, role)

    assert visitor.get(pages).status_code == 403
    assert visitor.get(f"{pages}{told.id}").status_code == 403
    assert visitor.submit(f"{pages}{told.id}/remove").status_code == 403


def test_a_rivals_endpoint_is_not_there(owner, pages, south):
    theirs = hooks.add(south).endpoint

    assert owner.get(f"{pages}{theirs.id}").status_code == 404
    assert owner.submit(f"{pages}{theirs.id}/remove").status_code == 404
    endpoints.stop_endpoint(actor=south.owner, endpoint_id=theirs.id)
