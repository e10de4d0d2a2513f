"""A planned visit told to the site by mail: once a contact, visit and day, and what becomes of each mail."""

from __future__ import annotations

from datetime import date, time, timedelta

import pytest
from django.core import mail

from accounts import jobs, tenancy
from accounts.commands.contacts import add_contact, change_contact
from accounts.commands.mailing import NotDelivered
from accounts.errors import Conflict, Forbidden, NotFound
from accounts.ids import uuid7
from accounts.jobs import Job
from servicing import tasks
from servicing.commands import links as link_commands
from servicing.commands import planning
from servicing.commands.announcing import SEND, announce_visit
from servicing.queries import record
from tests.cast import NOON
from tests.servicing.recorded import planned

TOMORROW = date(2026, 6, 16)


@pytest.fixture
def expected(north, settings):
    """A visit planned for tomorrow at 08:40, and two contacts of whom one wants to be told."""
    settings.PUBLIC_URL = "https://testserver"
    add_contact(actor=north.dispatcher, site_id=north.site.id, email="desk@quay.example", name="Ada Desk")
    add_contact(
        actor=north.dispatcher, site_id=north.site.id, email="quiet@quay.example", wants_announcements=False
    )
    north.plan = planned(north, TOMORROW, time(8, 40))
    return north


def run_owed(cast):
    with tenancy.reading(cast.owner):
        owed = list(Job.objects.filter(kind=SEND, done_at=None))
    for job in owed:
        tasks.announce(str(cast.operator.id), str(job.id))
    return len(owed)


def told(cast):
    with cast.reading():
        return record.announcements_of(cast.site.id)


def test_a_contact_who_wants_it_is_told_once(expected):
    first = announce_visit(actor=expected.dispatcher, planned_visit_id=expected.plan.id)
    again = announce_visit(actor=expected.dispatcher, planned_visit_id=expected.plan.id)

    assert (len(first), len(again)) == (1, 0)
    assert run_owed(expected) == 1
    assert run_owed(expected) == 0
    assert [message.to for message in mail.outbox] == [["desk@quay.example"]]
    sent = mail.outbox[0]
    assert sent.subject == "Visit to Marl Quay School on Tuesday 16 June 2026"
    assert "between 08:00 and 10:00" in sent.body
    assert sent.extra_headers["Message-ID"].startswith(f"<{first[0].id}@")
    assert sent.extra_headers["Auto-Submitted"] == "auto-generated"
    assert expected.operator.legal_name in sent.from_email
    assert [(one.email, one.sent_at) for one in told(expected)] == [("desk@quay.example", NOON)]


def test_the_mail_names_the_sites_own_link_if_there_is_one(expected):
    link_commands.make_link(actor=expected.owner, customer_id=expected.customer.id)
    old, _token = link_commands.make_link(actor=expected.owner, site_id=expected.site.id)
    link_commands.revoke_link(actor=expected.owner, link_id=old.id)
    announce_visit(actor=expected.dispatcher, planned_visit_id=expected.plan.id)
    run_owed(expected)
    assert "/r/" not in mail.outbox[-1].body

    _link, token = link_commands.make_link(actor=expected.owner, site_id=expected.site.id)
    planning.move_visit(
        actor=expected.dispatcher, planned_visit_id=expected.plan.id, day=TOMORROW + timedelta(days=1)
    )
    announce_visit(actor=expected.dispatcher, planned_visit_id=expected.plan.id)
    run_owed(expected)
    assert f"https://testserver/r/{token}" in mail.outbox[-1].body


def test_tomorrows_visits_are_told_by_each_sites_own_date(expected, later):
    planned(expected, TOMORROW + timedelta(days=1))
    with tenancy.writing(expected.owner):
        jobs.enqueue(kind="servicing.tasks.announce_tomorrow", dedup_key="2026-06-15")
        jobs.enqueue(kind="servicing.tasks.announce_tomorrow", dedup_key="again")
        owed = list(Job.objects.filter(kind="servicing.tasks.announce_tomorrow"))
    for job in owed:
        tasks.announce_tomorrow(str(expected.operator.id), str(job.id))

    assert run_owed(expected) == 1
    assert [one.day for one in told(expected)] == [TOMORROW]

    # 23:00 UTC is the next day already where the site is.
    later(hours=11)
    with tenancy.writing(expected.owner):
        jobs.enqueue(kind="servicing.tasks.announce_tomorrow", dedup_key="2026-06-15T23")
        late = Job.objects.get(kind="servicing.tasks.announce_tomorrow", dedup_key="2026-06-15T23")
    tasks.announce_tomorrow(str(expected.operator.id), str(late.id))
    assert [one.day for one in told(expected)] == [TOMORROW + timedelta(days=1), TOMORROW]


def test_a_visit_that_was_moved_is_told_anew_and_not_as_it_was(expected):
    announce_visit(actor=expected.dispatcher, planned_visit_id=expected.plan.id)
    planning.move_visit(
        actor=expected.dispatcher, planned_visit_id=expected.plan.id, day=TOMORROW + timedelta(days=2)
    )
    announce_visit(actor=expected.dispatcher, planned_visit_id=expected.plan.id)
    run_owed(expected)

    assert len(mail.outbox) == 1
    assert "Thursday 18 June" in mail.outbox[0].body
    assert [(one.day, one.failure) for one in told(expected)] == [
        (TOMORROW + timedelta(days=2), ""),
        (TOMORROW, "Not sent: the visit was moved or called off in the meantime."),
    ]


def test_who_no_longer_wants_it_is_not_told(expected):
    announce_visit(actor=expected.dispatcher, planned_visit_id=expected.plan.id)
    contact = told(expected)[0].contact
    change_contact(
        actor=expected.dispatcher,
        contact_id=contact.id,
        email=contact.email,
        name=contact.name,
        wants_announcements=False,
    )
    run_owed(expected)

    assert mail.outbox == []
    assert told(expected)[0].failure == "Not sent: this contact no longer wants to be told."


def test_what_can_not_be_told_is_refused(expected, south):
    with pytest.raises(Forbidden):
        announce_visit(actor=expected.crew_phone, planned_visit_id=expected.plan.id)
    with pytest.raises(NotFound):
        announce_visit(actor=expected.dispatcher, planned_visit_id=uuid7())
    with pytest.raises(NotFound):
        announce_visit(actor=south.dispatcher, planned_visit_id=expected.plan.id)
    lonely = planned(south, TOMORROW)
    with pytest.raises(Conflict, match="Nobody at Marl Quay School"):
        announce_visit(actor=south.dispatcher, planned_visit_id=lonely.id)
    planning.call_off_visit(actor=expected.dispatcher, planned_visit_id=expected.plan.id, reason="customer")
    with pytest.raises(Conflict, match="called off"):
        announce_visit(actor=expected.dispatcher, planned_visit_id=expected.plan.id)


def test_a_server_that_is_away_is_tried_again_and_then_given_up(expected, settings):
    settings.EMAIL_BACKEND = "tests.billing.mailing.Away"
    announce_visit(actor=expected.dispatcher, planned_visit_id=expected.plan.id)
    with tenancy.reading(expected.owner):
        job = Job.objects.get(kind=SEND)
    with pytest.raises(NotDelivered):
        tasks.announce(str(expected.operator.id), str(job.id))
    assert (told(expected)[0].failure, told(expected)[0].sent_at) == ("", None)

    with tenancy.writing(expected.owner):
        Job.objects.filter(id=job.id).update(attempts=jobs.MOST_ATTEMPTS)
    tasks.announce(str(expected.operator.id), str(job.id))
    assert told(expected)[0].failure == (
        "Given up after 5 attempts. The mail server could not be reached (ConnectionRefusedError)."
    )


@pytest.mark.parametrize(
    ("backend", "said"),
    [
        ("tests.billing.mailing.Refusing", "The mail server refused the address (550)."),
        ("django.core.mail.backends.dummy.EmailBackend", "No mail server is set up here."),
    ],
)
def test_what_will_never_work_is_given_up_at_once(expected, settings, backend, said):
    """RFC 5321, section 4.2.1: a reply that begins with 5 is for good."""
    settings.EMAIL_BACKEND = backend
    announce_visit(actor=expected.dispatcher, planned_visit_id=expected.plan.id)
    run_owed(expected)

    assert told(expected)[0].failure == said


def test_the_tick_owes_every_operator_its_announcements_once_a_day(expected, monkeypatch):
    from accounts import tasks as clockwork

    monkeypatch.setattr(clockwork, "relay", lambda: 0)
    clockwork.tick()
    clockwork.tick()

    with tenancy.reading(expected.owner):
        owed = list(Job.objects.filter(kind="servicing.tasks.announce_tomorrow"))
    assert len(owed) == 1
    assert NOON.replace(hour=14) <= owed[0].run_at < NOON.replace(hour=15)
