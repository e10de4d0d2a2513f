"""What one member wants to be told of alerts by mail."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, time
from uuid import UUID

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.errors import BadInput, Forbidden, Problem
from accounts.languages import _
from accounts.permissions import Actor, ActorKind, Permission, require
from servicing.models import NoticeWish
from servicing.queries import noticing
from servicing.rules import notices
from servicing.rules.notices import ALERT_KINDS, URGENT_KINDS

LAST_HOUR = 23


def set_wish(
    *,
    actor: Actor,
    is_daily: bool,
    only_news: bool,
    kinds: Sequence[str],
    hour: int,
    urgent: Sequence[str],
    quiet_from: time | None,
    quiet_until: time | None,
    crew_id: UUID | None,
) -> NoticeWish:
    """What a member wants to be told of by mail, from now on. Only for oneself; a role that sees no alerts is told of none.

    BadInput, each with a pointer: a kind that is not told of, an hour outside the day, one end of quiet hours without the
    other or both the same, and a digest's hour inside them.
    """
    require(actor, Permission.OWN_SETTINGS)
    if actor.kind is not ActorKind.MEMBER or actor.id is None:
        raise Forbidden(_("Only a person who is a member is told of alerts by mail."))
    problems = [
        *_wrong_kinds(kinds, urgent, is_daily=is_daily),
        *_wrong_times(hour, quiet_from, quiet_until, is_daily=is_daily),
    ]
    if problems:
        raise BadInput(problems[0].detail, errors=problems)
    with tenancy.writing(actor):
        if crew_id is not None:
            accounts.get_crew(crew_id)
        # Locked before anything is read: a look that goes on may be telling what is urgent just now.
        before = NoticeWish.objects.select_for_update().filter(member_id=actor.id).first()
        wish: NoticeWish
        wish, _made = NoticeWish.objects.update_or_create(
            member_id=actor.id,
            defaults={
                "is_daily": is_daily,
                "only_news": only_news,
                "kinds": [kind for kind in ALERT_KINDS if kind in kinds],
                "hour": hour,
                "urgent": [kind for kind in URGENT_KINDS if kind in urgent],
                "quiet_from": quiet_from,
                "quiet_until": quiet_until,
                "crew_id": crew_id,
                "urgent_turn": _told_up_to(before, urgent, crew_id),
                "changed_at": clock.now(),
            },
        )
    return wish


def _told_up_to(before: NoticeWish | None, urgent: Sequence[str], crew_id: UUID | None) -> int:
    """What is open already is no news to who asks for more; but what is held back for them is told yet."""
    if before is None or not set(urgent) <= set(before.urgent):
        return noticing.head_turn()
    if before.crew_id is not None and str(before.crew_id) != str(crew_id):
        return noticing.head_turn()
    return before.urgent_turn


def _wrong_kinds(kinds: Sequence[str], urgent: Sequence[str], *, is_daily: bool) -> Iterator[Problem]:
    if not set(kinds) <= set(ALERT_KINDS):
        yield Problem("/kinds", "unknown", _("Choose kinds of the list."))
    if not set(urgent) <= set(URGENT_KINDS):
        yield Problem("/urgent", "unknown", _("Choose kinds of the list."))
    if is_daily and not kinds:
        yield Problem(
            "/kinds", "missing", _("Choose what the mail is to tell of, or take the mail of each day away.")
        )


def _wrong_times(
    hour: int, quiet_from: time | None, quiet_until: time | None, *, is_daily: bool
) -> Iterator[Problem]:
    is_hour = 0 <= hour <= LAST_HOUR
    if not is_hour:
        yield Problem("/hour", "out-of-range", _("Choose an hour from 0 to 23."))
    if quiet_from is None and quiet_until is None:
        return
    if quiet_from is None or quiet_until is None:
        missing = "/quiet_until" if quiet_until is None else "/quiet_from"
        yield Problem(
            missing, "missing", _("Quiet hours need a beginning and an end. Fill in both, or neither.")
        )
    elif quiet_from == quiet_until:
        yield Problem(
            "/quiet_until", "empty", _("Quiet hours that begin as they end are none. Leave both empty.")
        )
    elif is_daily and is_hour:
        any_day = datetime(2026, 1, 1, hour, tzinfo=UTC)
        if notices.quiet_at(any_day, "UTC", quiet_from, quiet_until):
            yield Problem(
                "/hour", "quiet", _("This hour lies in your quiet hours. Choose one outside of them.")
            )
