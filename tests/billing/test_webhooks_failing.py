"""A receiver that fails: tried again for three days, stopped after five, its owners told by mail; and replays."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.core import mail

from accounts import clock, tenancy
from accounts.commands import people
from accounts.errors import Conflict, NotFound, TooLarge
from accounts.models import Member
from accounts.permissions import Role
from billing.commands.webhooks import endpoints, replaying
from billing.commands.webhooks.wire import Answer
from tests.billing import hooks
from tests.billing.mailing import body_of


@pytest.fixture
def told(north):
    """An endpoint with one message that waits."""
    made = hooks.add(north)
    hooks.add_customers(north, 1)
    hooks.tell(north)
    return made.endpoint


def until_given_up(cast, receiver, later):
    """Let time pass from attempt to attempt; gives the instants of the attempts."""
    while (waiting := hooks.deliveries(cast)[-1]).next_at is not None:
        if waiting.next_at > clock.now():
            later(seconds=(waiting.next_at - clock.now()).total_seconds())
        hooks.deliver(cast, receiver)
    return [one.began_at for one in hooks.attempts(cast)]


def test_a_message_is_tried_ten_times_over_three_days_under_one_id(north, told, later):
    receiver = hooks.failing()
    tried = until_given_up(north, receiver, later)

    (delivery,) = hooks.deliveries(north)
    assert len(tried) == delivery.attempts == 10
    assert timedelta(days=2.4) < tried[-1] - tried[0] < timedelta(days=3.8)
    assert delivery.given_up_at == clock.now()
    assert {headers["webhook-id"] for _, headers, _ in receiver.got} == {delivery.message_id}
    assert len({str(body) for _, _, body in receiver.got}) == 1
    assert hooks.stored(north, told).stopped_at is None


def test_it_ends_with_the_first_success(north, told, later):
    receiver = hooks.Receiver(
        Answer("timed_out", "answer-timeout"),
        Answer("refused", "status", 503),
        Answer("delivered", status=204),
    )
    until_given_up(north, receiver, later)

    (delivery,) = hooks.deliveries(north)
    assert [one.outcome for one in hooks.attempts(north)] == ["timed_out", "refused", "delivered"]
    assert (delivery.attempts, delivery.delivered_at, delivery.given_up_at) == (3, clock.now(), None)
    assert hooks.stored(north, told).failing_since is None
    assert mail.outbox == []


def test_a_receiver_that_asks_for_an_hour_gets_it(north, told):
    hooks.deliver(north, hooks.failing(429, retry_after=3_600))

    assert hooks.deliveries(north)[0].next_at == clock.now() + timedelta(hours=1)


def fail_for(cast, later, **time):
    """Two failures so far apart: of the message that waits, and of one made later."""
    hooks.deliver(cast, hooks.failing())
    since = clock.now()
    later(**time)
    hooks.add_customers(cast, 1, "LATER")
    hooks.tell(cast)
    hooks.deliver(cast, hooks.failing())
    return since


def test_after_five_days_without_a_success_it_is_stopped_and_each_owner_gets_a_mail(
    north, told, later, settings
):
    settings.PUBLIC_URL = "https://wickround.example"
    fail_for(north, later, days=5)

    stopped = hooks.stored(north, told)
    assert (stopped.stopped_at, stopped.stopped_why) == (clock.now(), "failing")
    hooks.say_stopped(north)
    (sent,) = mail.outbox
    assert sent.to == [north.users[Role.OWNER].email]
    assert sent.subject == f"{north.operator.name}: nothing is sent to books.quay.example any more"
    text = body_of(sent)
    assert "No message has arrived at https://books.quay.example/hooks since Mon 15 Jun, 14:00" in text
    assert "Nothing is lost" in text
    assert f"https://wickround.example/{north.operator.slug}/money/webhooks/{told.id}" in text
    # Nothing more is sent there, and nobody is told twice.
    assert hooks.deliver(north, hooks.taking()) == 0
    hooks.say_stopped(north)
    assert len(mail.outbox) == 1


def test_a_day_short_of_five_it_runs_on_and_a_success_begins_the_count_anew(north, told, later):
    fail_for(north, later, days=4, hours=23)
    assert hooks.stored(north, told).stopped_at is None

    hooks.add_customers(north, 1, "OK")
    hooks.tell(north)
    hooks.deliver(north, hooks.taking())
    assert hooks.stored(north, told).failing_since is None
    later(days=1)
    hooks.add_customers(north, 1, "BAD")
    hooks.tell(north)
    hooks.deliver(north, hooks.failing())
    assert hooks.stored(north, told).stopped_at is None
    assert hooks.stored(north, told).failing_since == clock.now()


def test_the_mail_is_in_each_owners_own_language_and_to_owners_only(north, told, later):
    second = north.dispatcher
    people.change_member(actor=north.owner, member_id=second.id, name="Zweite", role=Role.OWNER, crew_id=None)
    with tenancy.writing(north.owner):
        Member.objects.filter(id=second.id).update(locale="de-DE")
    fail_for(north, later, days=6)
    hooks.say_stopped(north)

    by_address = {sent.to[0]: body_of(sent) for sent in mail.outbox}
    english, german = (north.users[role].email for role in (Role.OWNER, Role.DISPATCHER))
    assert set(by_address) == {english, german}
    assert "Nothing is lost" in by_address[english]
    assert "Hallo Zweite, Bei https://books.quay.example/hooks ist seit Mo" in by_address[german]


def test_a_receiver_that_is_gone_stops_its_endpoint_at_once(north, told):
    hooks.deliver(north, hooks.Receiver(Answer("gone", "gone", 410)))

    stopped = hooks.stored(north, told)
    assert (stopped.stopped_at, stopped.stopped_why) == (clock.now(), "gone")
    assert hooks.deliveries(north)[0].given_up_at == clock.now()
    hooks.say_stopped(north)
    assert "it wants no more messages (HTTP 410)" in body_of(mail.outbox[0])


def test_no_mail_of_an_endpoint_that_runs_again_by_then(north, told, later):
    fail_for(north, later, days=5)
    endpoints.start_endpoint(actor=north.owner, endpoint_id=told.id)

    assert hooks.say_stopped(north) > 0
    assert mail.outbox == []


def test_started_again_it_gets_what_waited_and_what_came_meanwhile(north, told, later):
    fail_for(north, later, days=5)
    hooks.add_customers(north, 2, "MEANWHILE")
    endpoints.start_endpoint(actor=north.owner, endpoint_id=told.id)
    hooks.tell(north)
    receiver = hooks.taking()
    hooks.deliver(north, receiver)

    # Workers send side by side: the order is that of the sequence numbers, not of the arrival.
    assert sorted(body["data"]["sequence"] for _, _, body in receiver.got) == [1, 2, 3, 4]
    assert all(one.delivered_at for one in hooks.deliveries(north))


def test_a_replay_is_the_same_message_and_begins_its_attempts_anew(north, told, later):
    before = hooks.failing()
    until_given_up(north, before, later)
    (delivery,) = hooks.deliveries(north)

    replaying.replay(actor=north.owner, endpoint_id=told.id, delivery_id=delivery.id)
    after = hooks.failing()
    hooks.deliver(north, after)

    (replayed,) = hooks.deliveries(north)
    # After the tenth attempt there was none; after the first of the replay there is one again, seconds later.
    assert clock.now() < replayed.next_at < clock.now() + timedelta(seconds=7)
    assert [one.number for one in hooks.attempts(north)] == list(range(1, 12))
    assert {headers["webhook-id"] for _, headers, _ in before.got + after.got} == {delivery.message_id}


def test_what_arrived_is_sent_once_more_where_it_is_asked_for(north, told):
    hooks.deliver(north, hooks.taking())
    (delivery,) = hooks.deliveries(north)

    replaying.replay(actor=north.owner, endpoint_id=told.id, delivery_id=delivery.id)
    receiver = hooks.taking()
    assert hooks.deliver(north, receiver) == 1
    assert receiver.got[0][1]["webhook-id"] == delivery.message_id
    assert [one.outcome for one in hooks.attempts(north)] == ["delivered", "delivered"]


def test_a_replay_of_what_waits_for_its_next_attempt_is_tried_once_now(north, told, later):
    hooks.deliver(north, hooks.failing())
    later(seconds=10)
    hooks.deliver(north, hooks.failing())
    (delivery,) = hooks.deliveries(north)
    replaying.replay(actor=north.owner, endpoint_id=told.id, delivery_id=delivery.id)

    receiver = hooks.taking()
    assert hooks.deliver(north, receiver) == 1
    later(days=1)
    assert hooks.deliver(north, receiver) == 0
    assert len(receiver.got) == 1


def test_all_since_a_time_are_replayed_in_their_order(north, told, later):
    hooks.deliver(north, hooks.taking())
    later(hours=1)
    since = clock.now()
    hooks.add_customers(north, 3, "SINCE")
    hooks.tell(north)
    hooks.deliver(north, hooks.Receiver(*[Answer("delivered", status=200)] * 2, Answer("gone", "gone", 410)))
    with pytest.raises(Conflict):
        replaying.replay_since(actor=north.owner, endpoint_id=told.id, since=since)
    endpoints.start_endpoint(actor=north.owner, endpoint_id=told.id)

    assert replaying.replay_since(actor=north.owner, endpoint_id=told.id, since=since, failed_only=True) == 1
    assert replaying.replay_since(actor=north.owner, endpoint_id=told.id, since=since) == 3
    receiver = hooks.taking()
    hooks.deliver(north, receiver)
    assert sorted({body["data"]["sequence"] for _, _, body in receiver.got}) == [2, 3, 4]
    assert all(one.delivered_at for one in hooks.deliveries(north))


def test_more_than_a_thousand_are_left_to_the_feed(north, told, monkeypatch):
    monkeypatch.setattr(replaying, "MOST_REPLAYED", 2)
    hooks.add_customers(north, 2, "MORE")
    hooks.tell(north)

    with pytest.raises(TooLarge):
        replaying.replay_since(actor=north.owner, endpoint_id=told.id, since=clock.now() - timedelta(days=1))


def test_a_message_whose_job_died_is_sent_all_the_same(north, told, later, superuser):
    superuser.execute(
        "UPDATE accounts_job SET attempts = 5 WHERE operator_id = %s AND kind = %s",
        [north.operator.id, hooks.DELIVER],
    )
    dead = {job.id for job in hooks.owed(north, hooks.DELIVER)}
    later(hours=2)
    hooks.add_customers(north, 1, "NEXT")
    hooks.tell(north)

    alive = [job for job in hooks.owed(north, hooks.DELIVER) if job.id not in dead]
    assert sorted(job.ref for job in alive) == sorted(str(one.id) for one in hooks.deliveries(north))
    hooks.add_customers(north, 1, "AGAIN")
    hooks.tell(north)
    assert len(hooks.owed(north, hooks.DELIVER)) == len(dead) + 3


def test_a_test_message_arrives_as_any_other(north, told):
    hooks.deliver(north, hooks.taking())
    replaying.send_test(actor=north.owner, endpoint_id=told.id)

    receiver = hooks.taking()
    hooks.deliver(north, receiver)
    ((_, _, body),) = receiver.got
    assert (body["type"], body["data"]["sequence"]) == ("endpoint.test", 2)


def test_a_rivals_delivery_can_not_be_replayed_and_neither_through_another_endpoint(north, told, south):
    (delivery,) = hooks.deliveries(north)
    theirs, other = hooks.add(south), hooks.add(north, url="https://other.quay.example/")

    with pytest.raises(NotFound):
        replaying.replay(actor=south.owner, endpoint_id=theirs.endpoint.id, delivery_id=delivery.id)
    with pytest.raises(NotFound):
        replaying.replay(actor=north.owner, endpoint_id=other.endpoint.id, delivery_id=delivery.id)
