"""Alerts told by mail: a digest a day for each zone that somebody looks after, and what is urgent as it opens.

Each mail is a row under a key that never repeats, written with the job that sends it; whoever looks twice owes it once.
Its id follows from its key and its Message-ID from its id, so a mail that a crash sends again is known as the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta
from email.headerregistry import Address
from email.utils import format_datetime, parseaddr
from typing import Any
from uuid import UUID, uuid5

from django.conf import settings
from django.core.mail import EmailMessage
from django.urls import reverse

from accounts import clock, jobs, languages
from accounts import queries as accounts
from accounts.commands.mailing import GivenUp, NotDelivered, hand_over, refuse_unsent
from accounts.jobs import Job
from accounts.languages import Manner, _
from accounts.permissions import Actor
from servicing.models import Notice, NoticeWish
from servicing.queries import noticing
from servicing.rules import notices
from servicing.rules.announcements import in_one_line
from servicing.rules.notices import ALERT_KINDS, AtSite, Letter, Quiet

# Owed to servicing: a look at who is to be told. ``ref``: "" for digests that are due; "turn" after a sweep; a report's
# event; or a member whose quiet hours have ended, with when they began and ended.
LOOK = "servicing.tasks.look_at_notices"
SEND = "servicing.tasks.send_notice"
DAYS_KEPT = 90
_DIGESTS, _TURN, _REPORT, _HELD = "", "turn", "report", "held"


def owe_report(event_id: UUID) -> None:
    """Owe a look at who is to be told of a report, in the open transaction that stores it."""
    jobs.enqueue(kind=LOOK, dedup_key=f"{_REPORT}/{event_id}", ref=f"{_REPORT} {event_id}")


def owe_turn(turn: int) -> None:
    """Owe a look at who is to be told of what a sweep opened, in its transaction."""
    jobs.enqueue(kind=LOOK, dedup_key=f"{_TURN}/{turn}", ref=_TURN)


def look(operator_id: UUID, job_id: UUID) -> bool:
    """Owe the mails that are due, as a job."""
    return jobs.perform(operator_id, job_id, _look)


def _look(_actor: Actor, job: Job) -> None:
    try:
        refuse_unsent()
    except GivenUp:
        return
    what, *rest = job.ref.split(" ") if job.ref else [_DIGESTS]
    # Two looks at once take turns at what people were told last; how far one tells is read when its turn has come.
    wishes = noticing.wishes(locked=True)
    upto = noticing.head_turn()
    for member, wish in wishes:
        if what == _HELD:
            if member.id == UUID(rest[0]):
                _tell_held(member, wish, datetime.fromisoformat(rest[1]), rest[2], upto)
        elif what == _DIGESTS:
            _owe_digests(member, wish, upto)
        elif what == _TURN:
            _owe_urgent_alerts(member, wish, upto)
        else:
            _owe_urgent_report(member, wish, UUID(rest[0]), upto)
    if what == _DIGESTS:
        Notice.objects.filter(owed_at__lt=clock.now() - timedelta(days=DAYS_KEPT)).delete()


def _owe_digests(member: Any, wish: NoticeWish, upto: int) -> None:
    """The digests of today, each by the date of its zone, once its hour has come."""
    now = clock.now()
    if not wish.is_daily or not wish.kinds:
        return
    for zone in accounts.site_zones():
        on = notices.digest_day(now, zone, wish.hour)
        if on is None or notices.digest_instant(on, zone, wish.hour) < wish.changed_at:
            continue
        if noticing.has_digest(member.id, zone, on):
            continue
        lines = noticing.standing_in(wish, zone, since=noticing.last_digest_turn(member.id, zone), upto=upto)
        news = any(line.news for line in lines)
        with _speaking_to(member) as words:
            letter = (
                notices.digest(lines, zone=zone, **words) if news or (lines and not wish.only_news) else None
            )
        _owe(member, "digest", f"{on:%Y-%m-%d}", letter, zone=zone, turn=upto)


def _owe_urgent_alerts(member: Any, wish: NoticeWish, upto: int) -> None:
    if not set(wish.urgent) & set(ALERT_KINDS) or _quiet_for(member, wish):
        return
    lines = noticing.urgent_alerts(wish, upto=upto)
    _owe_urgent(member, f"{_TURN}/{upto}", lines, upto)
    NoticeWish.objects.filter(id=wish.id).update(urgent_turn=upto)


def _owe_urgent_report(member: Any, wish: NoticeWish, event_id: UUID, upto: int) -> None:
    if noticing.report_kind(event_id) not in wish.urgent:
        return
    quiet = _quiet_for(member, wish)
    if quiet is not None:
        if not noticing.reports_between(quiet.began, quiet.ends, among=[event_id]):
            # It came before the quiet hours and is looked at late: what they held back does not name it.
            jobs.enqueue(
                kind=LOOK,
                dedup_key=f"{_REPORT}/{event_id}/{_ended(quiet)}",
                ref=f"{_REPORT} {event_id}",
                run_at=quiet.ends,
            )
        return
    _owe_urgent(member, f"{_REPORT}/{event_id}", noticing.urgent_reports(wish, event_ids=[event_id]), upto)


def _quiet_for(member: Any, wish: NoticeWish) -> Quiet | None:
    """The quiet hours that hold back what is urgent now, if it is quiet; then a look at their end is owed, once."""
    zone = accounts.get_operator().zone
    quiet = notices.quiet_at(clock.now(), zone, wish.quiet_from, wish.quiet_until)
    if quiet is not None:
        ended = _ended(quiet)
        jobs.enqueue(
            kind=LOOK,
            dedup_key=f"{_HELD}/{member.id}/{ended}",
            ref=f"{_HELD} {member.id.hex} {quiet.began:%Y%m%dT%H%M%SZ} {ended}",
            run_at=quiet.ends,
        )
    return quiet


def _ended(quiet: Quiet) -> str:
    return f"{quiet.ends:%Y-%m-%dT%H:%M:%SZ}"


def _tell_held(member: Any, wish: NoticeWish, began: datetime, ended: str, upto: int) -> None:
    """What became urgent in the quiet hours that have ended, and still is."""
    held = noticing.reports_between(began, datetime.fromisoformat(ended))
    # One that was looked at only after their end has a mail of its own.
    told = noticing.urgent_slots(member.id, [f"{_REPORT}/{event_id}" for event_id in held])
    untold = [event_id for event_id in held if f"{_REPORT}/{event_id}" not in told]
    lines = [*noticing.urgent_reports(wish, event_ids=untold), *noticing.urgent_alerts(wish, upto=upto)]
    _owe_urgent(member, f"quiet/{ended}", lines, upto)
    NoticeWish.objects.filter(id=wish.id).update(urgent_turn=upto)


def _owe_urgent(member: Any, slot: str, lines: Sequence[AtSite], upto: int) -> None:
    if not lines:
        return
    with _speaking_to(member) as words:
        letter = notices.urgent(lines, **words)
    _owe(member, "urgent", slot, letter, turn=upto)


def _owe(member: Any, kind: str, slot: str, letter: Letter | None, *, zone: str = "", turn: int = 0) -> None:
    """Store a mail under its key, and owe it; without a letter the key alone, so that nobody looks again."""
    now = clock.now()
    notice = Notice(
        id=uuid5(member.id, f"notice/{kind}/{zone}/{slot}"),
        member_id=member.id,
        kind=kind,
        zone=zone,
        slot=slot,
        turn=turn,
        owed_at=now,
        outcome="" if letter else "nothing",
        settled_at=None if letter else now,
    )
    if letter:
        notice.subject, notice.body, notice.count = letter.subject, letter.body, letter.news
    Notice.objects.bulk_create([notice], ignore_conflicts=True)
    if letter:
        jobs.enqueue(kind=SEND, dedup_key=str(notice.id), ref=str(notice.id))


@contextmanager
def _speaking_to(member: Any) -> Iterator[dict[str, str]]:
    """Speaks a member's language inside its block, which gets what every letter of theirs says."""
    operator = accounts.get_operator()
    tag = languages.known_locale(member.locale or operator.locale)
    with languages.speaking(Manner(tag, operator.measures)):
        yield {
            "link": _address("lookout", operator.slug),
            "settings_link": _address("own-notices", operator.slug),
            "operator": operator.name,
        }


def _address(page: str, slug: str) -> str:
    return settings.PUBLIC_URL + reverse(page, args=[slug]) if settings.PUBLIC_URL else ""


def deliver(operator_id: UUID, job_id: UUID) -> bool:
    """Send one mail as a job: row and job in one transaction. What is settled is let be.

    A crash between sending and commit sends it once more, the same words under the same Message-ID.
    """
    return jobs.perform(operator_id, job_id, _deliver)


def _deliver(_actor: Actor, job: Job) -> None:
    notice = Notice.objects.filter(id=job.ref, outcome="").select_related("member").first()
    if notice is None:
        return
    member = accounts.get_member(notice.member_id)
    with _speaking_to(member) as words:
        outcome, failure = "sent", ""
        try:
            _refuse_gone(member)
            refuse_unsent()
            hand_over(_mail(notice, member.user.email, words))
        except GivenUp as why:
            outcome, failure = "failed", str(why)
        except NotDelivered as fault:
            if job.attempts < jobs.MOST_ATTEMPTS:
                raise
            outcome = "failed"
            failure = _("Given up after {attempts} attempts. {fault}", attempts=job.attempts, fault=fault)
    Notice.objects.filter(id=notice.id).update(outcome=outcome, failure=failure[:300], settled_at=clock.now())


def _refuse_gone(member: Any) -> None:
    if not (member.is_active and member.user.is_active):
        raise GivenUp(_("Not sent: this person no longer works here."))


def _mail(notice: Notice, email: str, words: Mapping[str, str]) -> EmailMessage:
    address = parseaddr(settings.DEFAULT_FROM_EMAIL)[1]
    headers = {
        "Message-ID": f"<{notice.id}@{address.rpartition('@')[2]}>",
        "Date": format_datetime(clock.now()),
        "Auto-Submitted": "auto-generated",  # RFC 3834: no answer by a machine
    }
    if words["settings_link"]:
        # RFC 2369: where one ends it. It asks for a sign-in, so it is no one-click link of RFC 8058.
        headers["List-Unsubscribe"] = f"<{words['settings_link']}>"
    return EmailMessage(
        subject=notice.subject,
        body=notice.body,
        from_email=str(Address(display_name=in_one_line(words["operator"]), addr_spec=address)),
        to=[email],
        headers=headers,
    )
