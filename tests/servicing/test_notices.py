"""Alerts told by mail: a digest a day and zone, urgent ones as they open, quiet hours, and nothing twice."""

from __future__ import annotations

import email.utils
import smtplib
from datetime import UTC, date, datetime, time
from unittest.mock import patch

import pytest
from django.core import mail

from accounts import clock, jobs, tasks, tenancy
from accounts.commands import people
from accounts.commands.mailing import NotDelivered
from accounts.errors import BadInput, Forbidden
from accounts.jobs import Job
from accounts.permissions import Role
from servicing import tasks as servicing_tasks
from servicing.commands import notice_wishes, noticing, sweeps
from servicing.models import Notice
from servicing.rules import notices

ALL = {
    "is_daily": True,
    "only_news": True,
    "kinds": ["past_grace", "dry_soon"],
    "hour": 6,
    "urgent": [],
    "quiet_from": None,
    "quiet_until": None,
    "crew_id": None,
}
MESSAGE_ID = "Message-ID"


@pytest.fixture
def filled(north, settings):
    """Two units filled on 12 June, due on the 10th of each month; what follows happens in July, in Berlin (UTC+2)."""
    settings.PUBLIC_URL = "https://testserver"
    at = datetime(2026, 6, 12, 9, 0, tzinfo=UTC)
    north.upload(north.installed(at=at), north.installed(north.units[1], at, station=1))
    return north


def wish(cast, role=Role.DISPATCHER, **values):
    return notice_wishes.set_wish(actor=cast.actors[role], **{**ALL, **values})


def at(day: int, hour: int, minute: int = 0, month: int = 7) -> None:
    """UTC; two hours less than Berlin shows."""
    clock.set_to(datetime(2026, month, day, hour, minute, tzinfo=UTC))


def owed(cast, kind):
    with tenancy.reading(cast.owner):
        return list(
            Job.objects.filter(kind=kind, done_at=None, run_at__lte=clock.now()).order_by("run_at", "id")
        )


def look_and_send(cast) -> list:
    """A tick's look for digests and whatever else is owed by now; the mails that went out."""
    before = len(mail.outbox)
    with tenancy.writing(cast.owner):
        jobs.enqueue(kind=noticing.LOOK, dedup_key=f"{clock.now():%Y-%m-%dT%H:%M}")
    for kind, task in (
        (noticing.LOOK, servicing_tasks.look_at_notices),
        (noticing.SEND, servicing_tasks.send_notice),
    ):
        for job in owed(cast, kind):
            task(str(cast.operator.id), str(job.id))
    return mail.outbox[before:]


def test_a_dispatcher_is_told_each_morning_of_what_is_new(filled):
    at(14, 3, 59)  # 05:59 in Berlin
    sweeps.sweep(actor=filled.owner)
    assert look_and_send(filled) == []

    at(14, 4, 0)
    (sent,) = look_and_send(filled)

    assert sent.to == [filled.users[Role.DISPATCHER].email]
    assert sent.subject == f"{filled.operator.name}: 4 new alerts, 4 open in all"
    assert "- 2 units past grace, 2 of them new" in sent.body
    assert (
        "- Marl Quay School (S-1): 2 units past grace since Tue 14 Jul; 2 units dry soon since Tue 14 Jul"
        in sent.body.replace(filled.site.code, "S-1").replace(filled.site.name, "Marl Quay School")
    )
    assert f"https://testserver/{filled.operator.slug}/me/notices" in sent.body
    assert sent.extra_headers["List-Unsubscribe"] == f"<https://testserver/{filled.operator.slug}/me/notices>"
    assert sent.extra_headers["Auto-Submitted"] == "auto-generated"
    # RFC 5322, 3.6.4: one address-like word in angle brackets.
    assert email.utils.parseaddr(sent.extra_headers[MESSAGE_ID])[1].count("@") == 1

    at(14, 4, 15)
    assert look_and_send(filled) == []  # once a day
    at(15, 4, 0)
    assert look_and_send(filled) == []  # nothing new


def test_who_wants_to_hear_of_the_rest_too_is_told_each_day(filled):
    wish(filled, only_news=False)
    at(14, 4)
    sweeps.sweep(actor=filled.owner)
    look_and_send(filled)

    at(15, 4)
    (sent,) = look_and_send(filled)

    assert sent.subject == f"{filled.operator.name}: 0 new alerts, 4 open in all"
    assert "New since" not in sent.body


def test_two_looks_at_once_owe_one_mail_and_a_missed_morning_is_made_good_on_the_day(filled):
    at(14, 11, 30)
    sweeps.sweep(actor=filled.owner)
    with tenancy.writing(filled.owner):
        jobs.enqueue(kind=noticing.LOOK, dedup_key="one")
        jobs.enqueue(kind=noticing.LOOK, dedup_key="two")

    assert len(look_and_send(filled)) == 1


def test_nobody_is_told_without_a_role_that_sees_alerts_or_once_they_left(filled):
    at(14, 4)
    sweeps.sweep(actor=filled.owner)
    wish(filled, Role.NETWORK)
    with pytest.raises(Forbidden):
        notice_wishes.set_wish(actor=filled.crew_phone, **ALL)
    wish(filled, Role.VIEWER)
    people.deactivate_member(actor=filled.owner, member_id=filled.actors[Role.DISPATCHER].id)
    at(14, 5)
    at(15, 4)

    (sent,) = look_and_send(filled)

    assert sent.to == [filled.users[Role.VIEWER].email]


def test_a_mail_in_the_readers_language_about_their_crews_sites_alone(filled):
    people.set_own_locale(actor=filled.dispatcher, locale="de-DE")
    wish(filled, crew_id=filled.crew.id)
    at(14, 4)
    sweeps.sweep(actor=filled.owner)
    with filled.reading():
        is_of_crew = filled.site.crew_id == filled.crew.id

    sent = look_and_send(filled)

    assert len(sent) == (1 if is_of_crew else 0)
    if sent:
        assert "4 neue Warnungen" in sent[0].subject


def test_what_is_urgent_is_told_as_it_opens_and_once(filled):
    wish(filled, is_daily=False, urgent=["past_grace"])
    at(14, 9)
    sweeps.sweep(actor=filled.owner)

    (sent,) = look_and_send(filled)

    assert sent.subject == f"{filled.operator.name}: 2 units past grace: {filled.site.name}"
    at(14, 10)
    sweeps.sweep(actor=filled.owner)
    assert look_and_send(filled) == []


def test_quiet_hours_hold_back_what_is_urgent_until_their_end_and_make_one_mail_of_it(filled):
    wish(
        filled,
        is_daily=False,
        urgent=["past_grace", "dry_soon", "leak"],
        quiet_from=time(22),
        quiet_until=time(7),
    )
    at(13, 22, 30)  # 00:30 in Berlin
    sweeps.sweep(actor=filled.owner)
    filled.upload(filled.event("report.received", filled.unit, kind="leak"))
    assert look_and_send(filled) == []

    at(14, 4, 59)
    assert look_and_send(filled) == []
    at(14, 5, 0)
    (sent,) = look_and_send(filled)

    assert "1 report of a leak since Tue 14 Jul" in sent.body
    assert "2 units past grace" in sent.body
    assert "safety data" in sent.body
    at(14, 5, 15)
    assert look_and_send(filled) == []


def test_a_report_of_a_leak_is_told_at_once(filled):
    wish(filled, Role.OWNER, is_daily=False, urgent=["leak", "chemical"])
    at(1, 9)
    filled.upload(filled.event("report.received", filled.unit, kind="odour"))
    filled.upload(filled.event("report.received", filled.unit, kind="leak"))

    (sent,) = look_and_send(filled)

    assert sent.to == [filled.users[Role.OWNER].email]
    assert "1 report of a leak" in sent.subject


def test_what_is_over_by_then_is_not_told(filled):
    wish(filled, is_daily=False, urgent=["past_grace"], quiet_from=time(22), quiet_until=time(7))
    at(13, 22, 30)
    sweeps.sweep(actor=filled.owner)
    look_and_send(filled)
    filled.upload(*(filled.exchanged(unit) for unit in filled.units[:2]))
    sweeps.sweep(actor=filled.owner)

    at(14, 6)

    assert look_and_send(filled) == []


def test_a_mail_sent_twice_by_a_crash_has_the_same_id_and_words(filled):
    at(14, 4)
    sweeps.sweep(actor=filled.owner)
    real = noticing.hand_over

    def sent_and_lost(message):
        real(message)
        raise RuntimeError("the worker ended here")

    with patch.object(noticing, "hand_over", sent_and_lost), pytest.raises(RuntimeError):
        look_and_send(filled)
    clock.set_to(datetime(2026, 7, 14, 4, 3, tzinfo=UTC))
    look_and_send(filled)

    first, second = mail.outbox
    assert first.extra_headers[MESSAGE_ID] == second.extra_headers[MESSAGE_ID]
    assert (first.subject, first.body) == (second.subject, second.body)


@pytest.mark.parametrize(
    ("fault", "outcome"),
    [
        (smtplib.SMTPRecipientsRefused({"a@b.example": (550, b"no")}), "failed"),  # RFC 5321, 4.2.1: for good
        (smtplib.SMTPRecipientsRefused({"a@b.example": (450, b"later")}), ""),
    ],
)
def test_an_address_that_is_refused_for_good_is_noted_and_one_put_off_is_tried_again(filled, fault, outcome):
    at(14, 4)
    sweeps.sweep(actor=filled.owner)
    with patch("django.core.mail.EmailMessage.send", side_effect=fault):
        if outcome:
            look_and_send(filled)
        else:
            with pytest.raises(NotDelivered):
                look_and_send(filled)
    with filled.reading():
        (notice,) = Notice.objects.filter(kind="digest")
    assert notice.outcome == outcome


def test_the_first_choice_is_no_reason_to_be_told_at_once_of_what_stood_before(filled):
    at(14, 9)
    sweeps.sweep(actor=filled.owner)
    wish(filled, Role.OWNER, urgent=["past_grace"])
    sent = look_and_send(filled)

    assert filled.users[Role.OWNER].email not in [one.to[0] for one in sent]


@pytest.mark.parametrize(
    ("values", "pointer"),
    [
        ({"kinds": ["smell"]}, "/kinds"),
        ({"kinds": []}, "/kinds"),
        ({"urgent": ["smell"]}, "/urgent"),
        ({"hour": 24}, "/hour"),
        ({"quiet_from": time(22)}, "/quiet_until"),
        ({"quiet_until": time(6)}, "/quiet_from"),
        ({"quiet_from": time(22), "quiet_until": time(22)}, "/quiet_until"),
        ({"quiet_from": time(22), "quiet_until": time(7)}, "/hour"),
    ],
)
def test_what_makes_no_sense_is_refused_at_its_field(north, values, pointer):
    with pytest.raises(BadInput) as refusal:
        wish(north, **values)
    assert [one.pointer for one in refusal.value.errors] == [pointer]


def test_the_tick_owes_a_look_each_quarter_of_an_hour_and_two_ticks_one(filled):
    def looks():
        return len(owed(filled, noticing.LOOK))

    at(14, 4, 1)
    tasks.jobs.owe_everyone(kind=noticing.LOOK, slot="2026-07-14T04/0")
    first = looks()
    tasks.jobs.owe_everyone(kind=noticing.LOOK, slot="2026-07-14T04/0")
    assert looks() == first == 1


# Quiet hours by the zone rules of the IANA time zone database (the locked tzdata): both switches of three zones.
@pytest.mark.parametrize(
    ("zone", "now", "since", "until", "ends"),
    [
        # Over midnight, no switch.
        ("Europe/Berlin", "2026-07-13T22:30Z", time(22), time(7), "2026-07-14T05:00Z"),
        ("Europe/Berlin", "2026-07-14T05:00Z", time(22), time(7), None),
        # 29 March 2026 in Berlin: 02:00 becomes 03:00. Quiet until 02:30, which is shown never: they end as it jumps.
        ("Europe/Berlin", "2026-03-29T00:30Z", time(22), time(2, 30), "2026-03-29T01:30Z"),
        # 25 October 2026: 02:30 is shown at 00:30 and at 01:30 UTC.
        ("Europe/Berlin", "2026-10-25T00:15Z", time(22), time(2, 30), "2026-10-25T00:30Z"),
        ("Europe/Berlin", "2026-10-25T01:15Z", time(22), time(2, 30), "2026-10-25T01:30Z"),
        # 4 October 2026, Lord Howe: by half an hour, from +10:30 to +11.
        ("Australia/Lord_Howe", "2026-10-03T14:00Z", time(22), time(6), "2026-10-03T19:00Z"),
        ("Asia/Kolkata", "2026-07-13T17:00Z", time(22), time(6), "2026-07-14T00:30Z"),
        ("America/New_York", "2026-03-08T06:30Z", time(1), time(5), "2026-03-08T09:00Z"),
    ],
)
def test_quiet_hours_end_where_the_wall_clock_says_so(zone, now, since, until, ends):
    quiet = notices.quiet_at(datetime.fromisoformat(now), zone, since, until)
    assert (quiet.ends if quiet else None) == (datetime.fromisoformat(ends) if ends else None)


@pytest.mark.parametrize(
    ("zone", "now", "hour", "day"),
    [
        ("Pacific/Apia", "2026-07-13T17:00Z", 6, "2026-07-14"),
        ("Europe/Berlin", "2026-07-14T03:59Z", 6, None),
        # 02:00 is not shown on 29 March: the digest of two o'clock is due as the clock shows three.
        ("Europe/Berlin", "2026-03-29T01:00Z", 2, "2026-03-29"),
        ("Europe/Berlin", "2026-03-29T00:59Z", 2, None),
    ],
)
def test_a_digest_is_of_the_day_that_its_zone_shows(zone, now, hour, day):
    found = notices.digest_day(datetime.fromisoformat(now), zone, hour)
    assert found == (date.fromisoformat(day) if day else None)
