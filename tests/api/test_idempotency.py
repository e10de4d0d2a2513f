"""The header Idempotency-Key: the cases of draft-ietf-httpapi-idempotency-key-header-07 sections 2.6 and 2.7 (a replay, a key
used for something else)."""

from __future__ import annotations

import pytest
from django.conf import settings
from django.test import override_settings

from accounts import tasks
from accounts.commands import keeping, people
from accounts.commands.keeping import Asked, do_once
from accounts.models import Device
from accounts.permissions import Role
from tests.api.callers import api_routes, made, phone_of, program_of, refused, signed_in, view_of
from tests.api.keyed import KEY, REPLAYED, keeper_actor, kept, only_row, payment, recorded, send
from tests.billing.books_of_account import Said, content, issue


@pytest.fixture
def billed(north):
    issue(north, content("invoice", [Said("100.00")], [("DE", "19.00")]))
    return north


@pytest.fixture
def keeper(billed):
    return signed_in(billed, Role.BOOKKEEPER)


def test_the_same_again_gets_the_same_answer_and_does_nothing(billed, keeper):
    first = send(keeper, "payments", payment(billed))
    again = send(keeper, "payments", payment(billed))

    assert made(first)["amount"] == "20.00"
    assert (again.status_code, again.content) == (first.status_code, first.content)
    assert again.headers["Content-Type"] == first.headers["Content-Type"] == "application/json"
    assert (REPLAYED in first.headers, again.headers[REPLAYED]) == (False, "true")
    assert again.headers["Cache-Control"] == "no-store"
    assert recorded(billed) == 1


def test_without_a_key_the_same_again_is_done_again(billed, keeper):
    made(keeper.send("payments", payment(billed)))
    made(keeper.send("payments", payment(billed)))

    assert (recorded(billed), kept(billed)) == (2, 0)


def test_quotes_round_the_key_are_no_part_of_it(billed, keeper):
    made(send(keeper, "payments", payment(billed), KEY))

    assert send(keeper, "payments", payment(billed), KEY.strip('"')).headers[REPLAYED] == "true"


@pytest.mark.parametrize(
    "key",
    [
        "",
        '""',
        '"open',
        "two words",
        '"a" "b"',
        '"a", "b"',  # as two headers arrive
        '"a";p=1',
        '"a\\b"',  # RFC 9651 section 3.3.3: only a quote or a backslash is escaped
        "gr\u00fc\u00df",
        '"' + "k" * 256 + '"',
        "k" * 256,
    ],
)
def test_what_is_no_key_is_refused(billed, keeper, key):
    assert refused(send(keeper, "payments", payment(billed), key), 400) == ["/Idempotency-Key"]
    assert recorded(billed) == 0


@pytest.mark.parametrize("key", ["k", "k" * 255, '"' + "k" * 255 + '"', '"a\\"b\\\\c"', "a/b:c=d", '"a b"'])
def test_any_word_or_string_of_up_to_255_characters_is_a_key(billed, keeper, key):
    made(send(keeper, "payments", payment(billed), key))

    assert send(keeper, "payments", payment(billed), key).headers[REPLAYED] == "true"


def test_a_key_used_for_something_else_is_refused(billed, keeper):
    first = made(send(keeper, "payments", payment(billed)))
    second = made(keeper.send("payments", payment(billed)))
    rest = {"allocations": [{"document": "INV-000001", "amount": "1.00"}]}

    refused(send(keeper, "payments", payment(billed, "21.00")), 422)
    made(send(keeper, f"payments/{first['id']}/allocations", rest))
    answer = send(keeper, f"payments/{second['id']}/allocations", rest)
    refused(answer, 422)

    assert answer.json()["type"].endswith("/problems/idempotency-key-reused")
    assert keeper.read(f"payments/{second['id']}").json()["left"] == "20.00"


def test_each_asker_has_keys_of_its_own(billed, keeper, south):
    made(send(keeper, "payments", payment(billed)))
    made(send(signed_in(billed), "payments", payment(billed)))
    theirs = send(signed_in(south), "payments", payment(south))

    assert (made(theirs)["customer"], REPLAYED in theirs.headers) == (str(south.customer.id), False)
    assert (recorded(billed), recorded(south)) == (2, 1)


def test_a_refusal_keeps_nothing_so_that_the_key_is_free_for_the_corrected_request(billed, keeper):
    too_much = payment(billed, allocations=[{"document": "INV-000001", "amount": "300.00"}])

    for _time in range(2):
        assert send(keeper, "payments", too_much).status_code in {400, 409}
    assert (recorded(billed), kept(billed)) == (0, 0)

    assert REPLAYED not in send(keeper, "payments", payment(billed)).headers
    assert recorded(billed) == 1


def test_a_program_must_send_a_key_for_what_is_not_to_be_done_twice(billed, keeper):
    program = program_of(billed)

    answer = program.send("payments", payment(billed))
    refused(answer, 400)
    assert answer.json()["type"].endswith("/problems/idempotency-key-missing")
    assert recorded(billed) == 0

    first = send(program, "payments", payment(billed))
    again = send(program, "payments", payment(billed))
    assert made(first) == made(again)
    assert again.headers[REPLAYED] == "true"
    # A person sees what happened, and may do without.
    made(keeper.send("payments", payment(billed)))
    assert recorded(billed) == 2


def test_what_is_answered_with_a_key_is_as_it_is_after_the_commit(billed):
    """The version is counted by a trigger that waits for the commit, which comes after the answer is made."""
    program, path = program_of(billed), f"customers/{billed.customer.id}/billing-profile"
    before = program.read(path)
    change = {"buyer_reference": "Cost centre 7"}
    known = {"if-match": before.headers["ETag"], "idempotency-key": KEY}

    first = program.send(path, change, headers=known)
    after = program.read(path)
    again = program.send(path, change, headers=known)

    assert first.status_code == 200, first.content
    assert first.json() == after.json()
    assert first.headers["ETag"] == after.headers["ETag"] != before.headers["ETag"]
    # The same again gets its answer although the version is another by now; anything else is refused.
    assert (again.content, again.headers["ETag"]) == (first.content, first.headers["ETag"])
    assert program.send(path, change, headers={**known, "idempotency-key": "another"}).status_code == 412
    assert program.send(path, change, headers={"idempotency-key": "a-third"}).status_code == 428
    assert program.read(path).headers["ETag"] == after.headers["ETag"]


def test_a_role_taken_away_gets_no_kept_answer(billed, keeper):
    made(send(keeper, "payments", payment(billed)))
    member = keeper_actor(billed).id
    people.change_member(actor=billed.owner, member_id=member, name="Kim", role=Role.VIEWER)

    refused(send(keeper, "payments", payment(billed)), 403)


def test_a_secret_that_is_shown_once_is_not_to_be_read_in_the_table(north, superuser):
    owner = signed_in(north)
    first = made(send(owner, "devices", {"crew": str(north.crew.id), "label": "Phone of Kim"}))

    assert send(owner, "devices", {"crew": str(north.crew.id), "label": "Phone of Kim"}).json() == first
    with north.reading():
        assert Device.objects.filter(label="Phone of Kim").count() == 1
    (row,) = superuser.execute(
        "SELECT kept::text, encode(body, 'escape') FROM accounts_keptanswer kept WHERE operator_id = %s",
        [north.operator.id],
    ).fetchall()
    secret = first["token"]
    assert all(word not in part for word in (secret, KEY.strip('"'), "Kim") for part in row)


def test_after_a_change_of_the_servers_secret_the_answer_is_read_by_the_one_before(billed, keeper):
    first = send(keeper, "payments", payment(billed))
    actor, path = keeper_actor(billed), "/api/v1/payments"

    def ask():
        asked = Asked("api/v1/payments", KEY.strip('"'), only_row(billed).fingerprint)
        return do_once(actor=actor, asked=asked, effect=lambda: pytest.fail(path))

    before = settings.SECRET_KEY
    with override_settings(
        SECRET_KEY="another that is long enough to sign with", SECRET_KEY_FALLBACKS=[before]
    ):
        assert ask().body == first.content
    with (
        override_settings(SECRET_KEY="another that is long enough to sign with"),
        pytest.raises(keeping.Conflict, match="can no longer be read"),
    ):
        ask()


def test_a_key_is_forgotten_after_seven_days(billed, keeper, later):
    made(send(keeper, "payments", payment(billed)))
    later(days=6, hours=23)
    keeper = signed_in(billed, Role.BOOKKEEPER)
    tasks.forget_done()
    assert send(keeper, "payments", payment(billed)).headers[REPLAYED] == "true"

    later(hours=2)
    keeper = signed_in(billed, Role.BOOKKEEPER)
    tasks.forget_done()
    made(send(keeper, "payments", payment(billed)))
    assert (recorded(billed), kept(billed)) == (2, 1)


def test_a_form_in_parts_is_no_body_of_these_doors(billed, keeper):
    answer = keeper.post("/api/v1/payments", payment(billed), headers={"idempotency-key": KEY})

    refused(answer, 415)


def test_a_body_that_is_too_large_is_refused_with_a_key_too(billed, keeper):
    answer = keeper.send_text("payments", b" " * (1024 * 1024 + 1), headers={"idempotency-key": KEY})

    refused(answer, 413)


def test_only_what_has_ids_of_its_own_or_stores_nothing_takes_no_key():
    keyless = {
        view_of(route).__name__ for _, route in api_routes() if getattr(view_of(route), "keyless", False)
    }

    # Each showing of a code is one more, and its answer is the last that should be kept.
    assert keyless == {"BankFilePreviews", "EntryCodeShowings", "Photos", "ServiceEvents"}


def test_an_upload_ignores_a_key_and_answers_for_each_event_by_itself(north):
    body = [north.installed()]
    phone = phone_of(north)

    assert send(phone, "service-events", body).json()["fates"][0]["fate"] == "accepted"
    assert send(phone, "service-events", body).json()["fates"][0]["fate"] == "duplicate"
