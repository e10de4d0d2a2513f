"""The header Idempotency-Key: the cases of draft-ietf-httpapi-idempotency-key-header-07 sections 2.6 and 2.7 (a replay, a key
used for something else, a request still being done), and what a crash at the worst moment leaves."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import textwrap
from concurrent.futures import ThreadPoolExecutor
from threading import Event
from uuid import uuid4

import pytest
from django.conf import settings
from django.db import connections
from django.test import override_settings

from accounts import tasks, tenancy
from accounts.commands import keeping, people
from accounts.commands.keeping import Answer, Asked, do_once
from accounts.models import Device, KeptAnswer
from accounts.permissions import Role
from billing.models import Payment
from tests.api.callers import api_routes, made, phone_of, refused, signed_in, view_of
from tests.billing.books_of_account import Said, content, issue

KEY = '"8e03978e-40d5-43e8-bc93-6894a57f9324"'
REPLAYED = "Idempotency-Replayed"


@pytest.fixture
def billed(north):
    issue(north, content("invoice", [Said("100.00")], [("DE", "19.00")]))
    return north


@pytest.fixture
def keeper(billed):
    return signed_in(billed, Role.BOOKKEEPER)


def payment(cast, amount="20.00", **rest):
    return {"customer": str(cast.customer.id), "received_on": "2026-06-10", "amount": amount, **rest}


def send(client, path, body, key=KEY, **kwargs):
    return client.send(path, body, headers={"idempotency-key": key}, **kwargs)


def recorded(cast):
    with cast.reading():
        return Payment.objects.count()


def kept(cast):
    with cast.reading():
        return KeptAnswer.objects.count()


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


def test_a_role_taken_away_gets_no_kept_answer(billed, keeper):
    made(send(keeper, "payments", payment(billed)))
    member = keeper_actor(billed).id
    people.change_member(actor=billed.owner, member_id=member, name="Kim", role=Role.VIEWER)

    refused(send(keeper, "payments", payment(billed)), 403)


def test_eight_at_once_with_one_key_have_one_effect(billed, keeper):
    def attempt(_):
        try:
            return send(signed_in(billed, Role.BOOKKEEPER), "payments", payment(billed))
        finally:
            connections.close_all()

    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(attempt, range(8)))

    assert {answer.status_code for answer in answers} == {201}
    assert len({answer.content for answer in answers}) == 1
    assert [REPLAYED in answer.headers for answer in answers].count(False) == 1
    assert recorded(billed) == 1


def test_a_request_still_being_done_is_told_from_one_that_is_finished(billed, keeper):
    def twin():
        try:
            return send(keeper, "payments", payment(billed))
        finally:
            connections.close_all()

    keepers = keeper_actor(billed)
    asked = Asked("api/v1/payments", KEY.strip('"'), "0" * 64)
    with ThreadPoolExecutor(1) as pool:
        # The twin runs while this one's transaction is open.
        do_once(actor=keepers, asked=asked, effect=lambda: Answer(201, pool.submit(twin).result().content))
    body = keeping._opened(only_row(billed), asked.key)

    assert b'"status": 409' in body
    assert b"/problems/request-in-progress" in body
    assert recorded(billed) == 0


def test_the_answer_to_wait_says_how_long(billed, keeper):
    started, finish = Event(), Event()

    def slowly():
        def effect():
            started.set()
            finish.wait(10)
            return Answer(201, b"{}")

        try:
            do_once(actor=keeper_actor(billed), asked=Asked("api/v1/payments", "k", ""), effect=effect)
        finally:
            connections.close_all()

    with ThreadPoolExecutor(1) as pool:
        first = pool.submit(slowly)
        assert started.wait(10)
        answer = send(keeper, "payments", payment(billed), "k")
        finish.set()
        first.result()

    assert (answer.status_code, answer.headers["Retry-After"]) == (409, "1")


def keeper_actor(cast):
    from accounts.pages.door import actor_for

    return actor_for(cast.users[Role.BOOKKEEPER].pk, cast.operator.slug)


def only_row(cast):
    """The operator's one kept answer."""
    with cast.reading():
        return KeptAnswer.objects.get()


CHILD = """
    import os, signal, sys
    import django
    django.setup()
    from accounts.commands import keeping, people
    from accounts.doors import OperatorView
    from tests.api.callers import Api
    moment, slug, cookie, path, body = sys.argv[1:]
    def die(*args, **kwargs):
        os.kill(os.getpid(), signal.SIGKILL)
    if moment == "before":
        keeping._sealed = die
    else:
        OperatorView.finalize_response = die
    client = Api(headers={"wickround-operator": slug, "idempotency-key": "crash"})
    client.cookies["sid"] = client.cookies["__Host-sid"] = cookie
    client.send_text(path, body)
    print("answered")
"""


@pytest.mark.parametrize(("moment", "is_replayed"), [("before", False), ("after", True)])
def test_a_process_killed_before_it_could_answer_has_done_it_once_or_not_at_all(
    billed, keeper, database, moment, is_replayed
):
    body = json.dumps(payment(billed))
    cookie = keeper.cookies[settings.SESSION_COOKIE_NAME].value
    arguments = [moment, billed.operator.slug, cookie, "payments", body]
    environment = {**os.environ, "DJANGO_SETTINGS_MODULE": "config.settings", "WICKROUND_SECRET_KEY": settings.SECRET_KEY,
                   "WICKROUND_ALLOWED_HOSTS": "testserver"}  # fmt: skip
    killed = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(CHILD), *arguments],
        env=environment, cwd=settings.BASE_DIR, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip

    assert (killed.returncode, killed.stdout) == (-9, ""), killed.stderr
    assert recorded(billed) == (1 if moment == "after" else 0)
    again = keeper.send_text("payments", body, headers={"idempotency-key": "crash"})
    assert made(again)["amount"] == "20.00"
    assert (REPLAYED in again.headers) == is_replayed
    assert recorded(billed) == 1


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
    tasks.forget_done()
    assert send(keeper, "payments", payment(billed)).headers[REPLAYED] == "true"

    later(hours=2)
    tasks.forget_done()
    made(send(keeper, "payments", payment(billed)))
    assert (recorded(billed), kept(billed)) == (2, 1)


def test_a_form_in_parts_is_no_body_of_these_doors(billed, keeper):
    answer = keeper.post("/api/v1/payments", payment(billed), headers={"idempotency-key": KEY})

    refused(answer, 415)


def test_a_body_that_is_too_large_is_refused_with_a_key_too(billed, keeper):
    answer = keeper.send_text("payments", b" " * (1024 * 1024 + 1), headers={"idempotency-key": KEY})

    refused(answer, 413)


def test_events_and_photos_alone_have_ids_in_the_place_of_a_key():
    keyless = {
        view_of(route).__name__ for _, route in api_routes() if getattr(view_of(route), "keyless", False)
    }

    assert keyless == {"Photos", "ServiceEvents"}


def test_an_upload_ignores_a_key_and_answers_for_each_event_by_itself(north):
    body = [north.installed()]
    phone = phone_of(north)

    assert send(phone, "service-events", body).json()["fates"][0]["fate"] == "accepted"
    assert send(phone, "service-events", body).json()["fates"][0]["fate"] == "duplicate"


def test_what_a_command_undoes_of_its_own_leaves_the_rest_of_the_transaction(billed):
    actor = billed.owner

    def undone():
        with tenancy.writing(actor):
            keep("b")
            raise ZeroDivisionError

    with tenancy.one_transaction(actor):
        with tenancy.writing(actor):
            keep("a")
        with pytest.raises(ZeroDivisionError):
            undone()
        with pytest.raises(tenancy.ScopeConflict), tenancy.operator_scope(uuid4()):
            pass

    with billed.reading():
        assert [row.route for row in KeptAnswer.objects.all()] == ["a"]
    with tenancy.reading(actor), pytest.raises(RuntimeError, match="durable"), tenancy.writing(actor):
        pass


def keep(word):
    KeptAnswer.objects.create(route=word, key=word, made_at="2026-06-01T00:00Z")
