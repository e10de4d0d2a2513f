"""What was delivered long ago is forgotten by the day, and what was lost on the way is owed again."""

from __future__ import annotations

from datetime import timedelta

from accounts import clock, jobs, tenancy
from accounts.jobs import Job
from billing import tasks
from billing.commands.webhooks import delivering
from billing.models import WebhookDelivery
from billing.queries import webhooks
from tests.billing import hooks
from tests.cast import Cast

NIGHTLY = "billing.tasks.nightly"


def at_night(cast: Cast, name: str) -> None:
    with tenancy.writing(cast.owner):
        jobs.enqueue(kind=NIGHTLY, dedup_key=name)
    job = hooks.owed(cast, NIGHTLY)[0]
    tasks.nightly(str(cast.operator.id), str(job.id))


def test_what_was_delivered_a_month_ago_is_forgotten(north: Cast, later) -> None:
    hooks.add(north)
    hooks.add_customers(north, 1)
    hooks.tell(north)
    hooks.deliver(north, hooks.taking())
    later(days=29)
    at_night(north, "29")
    kept = hooks.deliveries(north)
    later(days=2)
    at_night(north, "31")
    assert (len(kept), hooks.deliveries(north), hooks.attempts(north)) == (1, [], [])
    hooks.add_customers(north, 1, "M")
    hooks.tell(north)
    assert [one.sequence for one in hooks.deliveries(north)] == [2]


def test_what_waits_is_kept_and_owed_again_when_its_job_is_lost(north: Cast, later) -> None:
    hooks.add(north)
    hooks.add_customers(north, 1)
    hooks.tell(north)
    with tenancy.writing(north.owner):
        Job.objects.filter(kind=hooks.DELIVER).update(done_at=clock.now())
    later(days=40)
    at_night(north, "40")
    receiver = hooks.taking()
    assert hooks.deliver(north, receiver) == 1
    assert [body["data"]["sequence"] for _url, _headers, body in receiver.got] == [1]


def test_an_attempt_is_forgotten_only_with_its_delivery(north: Cast, later) -> None:
    hooks.add(north)
    hooks.add_customers(north, 1)
    hooks.tell(north)
    hooks.deliver(north, hooks.failing())
    later(days=1)
    at_night(north, "1")
    assert len(hooks.attempts(north)) == 1
    assert timedelta(days=30) > clock.now() - hooks.deliveries(north)[0].made_at


def test_what_was_given_up_and_forgotten_is_not_counted_as_delivered(north: Cast, later) -> None:
    endpoint = hooks.add(north).endpoint
    hooks.add_customers(north, 2)
    hooks.tell(north)
    first, second = hooks.owed(north, hooks.DELIVER)
    delivering.deliver(north.operator.id, first.id, send=hooks.taking())
    with tenancy.writing(north.owner):
        given_up = WebhookDelivery.objects.filter(id=second.ref)
        assert given_up.update(given_up_at=clock.now(), next_at=None) == 1

    def counted() -> dict[str, int]:
        with north.reading():
            return webhooks.counts_by_state([endpoint])[endpoint.id]

    assert counted() == {"waiting": 0, "delivered": 1, "given_up": 1}
    later(days=31)
    at_night(north, "31")
    assert counted() == {"waiting": 0, "delivered": 0, "given_up": 0}
