"""Webhooks as jobs: a real receiver, a real signature, one row an attempt, and nothing lost when a worker dies."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from django.db import connection, connections
from standardwebhooks import Webhook

from accounts import clock, jobs, tenancy
from accounts.models import Job
from accounts.permissions import system_actor
from billing import tasks
from billing.commands.webhooks import delivering, endpoints, owing, replaying
from billing.commands.webhooks.delivering import deliver
from billing.commands.webhooks.wire import Answer
from billing.models import WebhookAttempt
from billing.rules.webhooks import schedule
from tests.billing.receivers import Authority, answering, receiving

DELIVERED = Answer("delivered", status=204, milliseconds=7)
REFUSED = Answer("refused", "status", 500, milliseconds=7)


@pytest.fixture(scope="session")
def authority(tmp_path_factory):
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def endpoint(north, settings):
    settings.WEBHOOK_ALLOW = "127.0.0.1:18443"
    return endpoints.add_endpoint(actor=north.owner, url="https://127.0.0.1:18443/hook")


@pytest.fixture
def delivery(north, endpoint):
    return replaying.send_test(actor=north.owner, endpoint_id=endpoint.endpoint.id)


class Sending:
    """What the network would be, with the answers that it is told to give."""

    def __init__(self, *answers):
        self.answers, self.sent = list(answers), []

    def __call__(self, url, headers, body):
        assert not connection.in_atomic_block
        self.sent.append((url, dict(headers), body))
        return self.answers.pop(0)


def owed(cast):
    with tenancy.reading(system_actor(cast.operator.id)):
        return list(Job.objects.filter(kind=owing.DELIVER, done_at=None).order_by("run_at"))


def read(cast, row):
    with tenancy.reading(system_actor(cast.operator.id)):
        return type(row).objects.get(id=row.id)


def attempts(cast):
    with tenancy.reading(system_actor(cast.operator.id)):
        rows = WebhookAttempt.objects.order_by("number")
        return [(one.number, one.outcome, one.detail, one.status) for one in rows]


def run(cast, *answers, job=None):
    """Do the one job that is owed."""
    sending = Sending(*answers)
    found = job or owed(cast)[0]
    deliver(cast.operator.id, found.id, send=sending)
    return sending.sent


def wait_until_due(cast):
    clock.set_to(owed(cast)[0].run_at)


def test_a_message_goes_over_the_wire_signed(north, authority, settings):
    with receiving(authority.context("127.0.0.1")) as receiver:
        settings.WEBHOOK_TRUST = str(authority.file)
        settings.WEBHOOK_ALLOW = f"127.0.0.1:{receiver.port}"
        made = endpoints.add_endpoint(actor=north.owner, url=f"https://127.0.0.1:{receiver.port}/hook")
        delivery = replaying.send_test(actor=north.owner, endpoint_id=made.endpoint.id)
        (job,) = owed(north)

        assert deliver(north.operator.id, job.id)

    (received,) = receiver.received
    assert Webhook(made.secret).verify(received.body, received.headers)["type"] == "endpoint.test"
    assert received.headers["webhook-id"] == delivery.message_id
    assert attempts(north) == [(1, "delivered", "", 204)]
    stored = read(north, delivery)
    assert (stored.attempts, stored.delivered_at, stored.next_at) == (1, clock.now(), None)
    assert owed(north) == []


def test_both_secrets_sign_while_one_is_changed(north, endpoint):
    newer = endpoints.rotate_secret(actor=north.owner, endpoint_id=endpoint.endpoint.id)
    replaying.send_test(actor=north.owner, endpoint_id=endpoint.endpoint.id)

    ((_url, headers, body),) = run(north, DELIVERED)

    for secret in (endpoint.secret, newer.secret):
        Webhook(secret).verify(body, headers)


def test_what_fails_is_owed_again_with_the_same_bytes(north, delivery):
    ((_, first, body),) = run(north, REFUSED)
    (job,) = owed(north)

    assert job.run_at - clock.now() == schedule.pause(delivery.id, 1)
    assert attempts(north) == [(1, "refused", "status", 500)]
    wait_until_due(north)
    ((_, second, again),) = run(north, DELIVERED)
    assert (second["webhook-id"], again) == (first["webhook-id"], body)
    assert attempts(north)[1:] == [(2, "delivered", "", 204)]
    assert read(north, delivery).delivered_at == clock.now()
    assert owed(north) == []


def test_a_receiver_is_left_alone_for_as_long_as_it_asks(north, delivery):
    run(north, Answer("refused", "status", 429, retry_after=3_600))

    assert (owed(north)[0].run_at - clock.now()).total_seconds() == 3_600


def test_after_the_last_attempt_it_is_given_up_and_a_replay_begins_anew(north, endpoint, delivery):
    began = clock.now()
    for _ in range(schedule.MOST_ATTEMPTS):
        wait_until_due(north)
        run(north, REFUSED)

    assert owed(north) == []
    assert read(north, delivery).given_up_at == clock.now()
    assert timedelta(days=2) < clock.now() - began < timedelta(days=4)
    replaying.replay(actor=north.owner, endpoint_id=endpoint.endpoint.id, delivery_id=delivery.id)
    run(north, REFUSED)
    assert owed(north)[0].run_at - clock.now() == schedule.pause(delivery.id, 1)
    assert len(attempts(north)) == schedule.MOST_ATTEMPTS + 1


def test_a_receiver_that_is_gone_is_stopped(north, endpoint, delivery):
    run(north, Answer("gone", "gone", 410))

    stored = read(north, endpoint.endpoint)
    assert (stored.stopped_at, stored.stopped_why) == (clock.now(), "gone")
    assert read(north, delivery).given_up_at == clock.now()
    assert owed(north) == []


def test_failing_is_counted_from_the_first_failure_to_the_next_success(north, endpoint, delivery, later):
    run(north, REFUSED)
    since = clock.now()
    assert read(north, endpoint.endpoint).failing_since == since
    wait_until_due(north)
    run(north, REFUSED)
    assert read(north, endpoint.endpoint).failing_since == since
    wait_until_due(north)
    run(north, DELIVERED)
    assert read(north, endpoint.endpoint).failing_since is None


def test_a_worker_that_dies_while_it_sends_leaves_the_message_owed(north, delivery, later):
    (job,) = owed(north)

    def die(_url, _headers, _body):
        raise SystemExit

    with pytest.raises(SystemExit):
        deliver(north.operator.id, job.id, send=die)
    assert (attempts(north), [one.id for one in owed(north)]) == ([], [job.id])

    later(seconds=jobs.LEASE_SECONDS)
    run(north, DELIVERED, job=job)
    assert attempts(north) == [(1, "delivered", "", 204)]
    assert owed(north) == []


WORKER = """
import sys, django
django.setup()
from billing.tasks import deliver
deliver(sys.argv[1], sys.argv[2])
"""


def test_a_killed_workers_message_is_sent_again(north, authority, settings):
    """Killed by the operating system, while the receiver has the message and has not answered."""
    came = threading.Event()
    with receiving(authority.context("127.0.0.1")) as receiver:
        allowed = f"127.0.0.1:{receiver.port}"
        settings.WEBHOOK_TRUST, settings.WEBHOOK_ALLOW = str(authority.file), allowed
        made = endpoints.add_endpoint(actor=north.owner, url=f"https://{allowed}/hook")
        replaying.send_test(actor=north.owner, endpoint_id=made.endpoint.id)
        (job,) = owed(north)
        receiver.behave = lambda _connection, _received: came.set() or receiver.over.wait(20)
        environment = os.environ | {
            "DJANGO_SETTINGS_MODULE": "config.settings",
            "WICKROUND_SECRET_KEY": settings.SECRET_KEY,
            "WICKROUND_WEBHOOK_TRUST": str(authority.file),
            "WICKROUND_WEBHOOK_ALLOW": allowed,
        }
        worker = [sys.executable, "-c", WORKER, str(north.operator.id), str(job.id)]
        with subprocess.Popen(worker, env=environment) as running:
            assert came.wait(60)
            running.kill()
        assert (attempts(north), [one.id for one in owed(north)]) == ([], [job.id])

        clock.set_to(clock.machine() + timedelta(seconds=jobs.LEASE_SECONDS))
        receiver.behave = answering()
        assert deliver(north.operator.id, job.id)

    first, second = receiver.received
    assert first.headers["webhook-id"] == second.headers["webhook-id"]
    assert first.body == second.body
    assert attempts(north) == [(1, "delivered", "", 204)]


def test_two_workers_with_one_job_send_once(north, delivery):
    (job,) = owed(north)
    sending, go_on = threading.Event(), threading.Event()
    sent = []

    def slowly(url, _headers, _body):
        sent.append(url)
        sending.set()
        assert go_on.wait(10)
        return DELIVERED

    def work():
        try:
            return deliver(north.operator.id, job.id, send=slowly)
        finally:
            connections.close_all()

    with ThreadPoolExecutor(1) as pool:
        first = pool.submit(work)
        assert sending.wait(10)
        assert not deliver(north.operator.id, job.id, send=slowly)
        (waiting,) = owed(north)
        go_on.set()
        assert first.result(10)

    assert len(sent) == 1
    assert waiting.run_at == clock.now() + delivering.HELD
    assert attempts(north) == [(1, "delivered", "", 204)]
    assert owed(north) == []


def test_a_job_that_is_done_sends_nothing(north, delivery):
    (job,) = owed(north)
    run(north, DELIVERED)

    assert run(north, job=job) == []
    assert len(attempts(north)) == 1


def test_a_replay_goes_before_the_attempt_that_waits(north, endpoint, delivery, later):
    run(north, REFUSED)
    (waiting,) = owed(north)
    later(seconds=1)
    replaying.replay(actor=north.owner, endpoint_id=endpoint.endpoint.id, delivery_id=delivery.id)
    (replayed,) = (job for job in owed(north) if job.id != waiting.id)
    run(north, DELIVERED, job=replayed)

    later(seconds=60)
    assert run(north, job=waiting) == []
    assert [one[1] for one in attempts(north)] == ["refused", "delivered"]
    assert owed(north) == []


def test_a_late_failure_changes_nothing_of_what_arrived(north, endpoint, delivery, later):
    """A replay overtakes an attempt that is on its way, and arrives."""
    (job,) = owed(north)

    def overtaken(_url, _headers, _body):
        later(seconds=1)
        replaying.replay(actor=north.owner, endpoint_id=endpoint.endpoint.id, delivery_id=delivery.id)
        run(north, DELIVERED, job=next(one for one in owed(north) if one.id != job.id))
        return REFUSED

    deliver(north.operator.id, job.id, send=overtaken)

    assert [one[1] for one in attempts(north)] == ["delivered", "refused"]
    assert read(north, delivery).delivered_at is not None
    assert owed(north) == []


def test_a_stopped_endpoint_gets_nothing_until_it_starts_again(north, endpoint, delivery, later):
    endpoints.stop_endpoint(actor=north.owner, endpoint_id=endpoint.endpoint.id)
    assert run(north) == []
    assert owed(north) == []

    later(minutes=1)
    endpoints.start_endpoint(actor=north.owner, endpoint_id=endpoint.endpoint.id)
    assert len(run(north, DELIVERED)) == 1
    assert read(north, delivery).delivered_at == clock.now()


def test_an_endpoint_removed_meanwhile_is_not_owed_again(north, endpoint, delivery):
    (job,) = owed(north)

    def removed(_url, _headers, _body):
        endpoints.remove_endpoint(actor=north.owner, endpoint_id=endpoint.endpoint.id)
        return REFUSED

    deliver(north.operator.id, job.id, send=removed)

    assert attempts(north) == [(1, "refused", "status", 500)]
    assert owed(north) == []


def test_without_the_key_of_its_secret_nothing_is_sent(north, delivery, settings):
    settings.TEXT_KEY = "another key than the one that sealed it"

    assert run(north) == []
    assert attempts(north) == [(1, "unreachable", "unsigned", None)]
    assert len(owed(north)) == 1


def test_a_rivals_job_is_none_of_ours(north, south, delivery):
    (job,) = owed(north)

    assert not deliver(south.operator.id, job.id, send=Sending())
    assert [one.id for one in owed(north)] == [job.id]


def test_the_network_is_what_sends_unless_told_otherwise(north, authority, settings, delivery):
    """The address was allowed when it was stored; it is judged again each time."""
    settings.WEBHOOK_ALLOW = ""
    (job,) = owed(north)

    tasks.deliver(str(north.operator.id), str(job.id))

    assert attempts(north) == [(1, "forbidden_address", "address", None)]
