"""Idempotency-Key at the worst moment: twins at once, a request still being done, a process killed before it answers.

The cases of draft-ietf-httpapi-idempotency-key-header-07 section 2.7, and what a crash leaves.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import textwrap
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from threading import Event
from uuid import uuid4

import pytest
from django.conf import settings
from django.db import connections

from accounts import clock, tenancy
from accounts.commands import keeping
from accounts.commands.keeping import Answer, Asked, do_once
from accounts.models import KeptAnswer
from accounts.permissions import Role
from tests.api.callers import made, signed_in
from tests.api.keyed import KEY, REPLAYED, keeper_actor, only_row, payment, recorded, send
from tests.billing.books_of_account import Said, content, issue
from tests.cast import NOON


@pytest.fixture
def billed(north):
    issue(north, content("invoice", [Said("100.00")], [("DE", "19.00")]))
    return north


@pytest.fixture
def keeper(billed):
    return signed_in(billed, Role.BOOKKEEPER)


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
                   "WICKROUND_ALLOWED_HOSTS": "testserver", "WICKROUND_SECOND_FACTOR": "no",
                   clock.OFFSET_VARIABLE: str((NOON - datetime.now(UTC)).total_seconds())}  # fmt: skip
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
