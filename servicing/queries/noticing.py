"""Who wants to be told of alerts, and what there is to tell them. Inside an operator's scope."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any
from uuid import UUID

from django.db.models import Count, Max, Min, Q, QuerySet

from accounts import clock
from accounts import queries as accounts
from accounts.permissions import ROLE_PERMISSIONS, Permission, Role
from servicing.models import Alert, Notice, NoticeWish, Report
from servicing.rules.notices import REPORT_KINDS, USUAL_HOUR, USUAL_KINDS, AtSite

# Roles whose people may see alerts, and so be told of them.
TOLD_ROLES = frozenset(role for role, may in ROLE_PERMISSIONS.items() if Permission.ALERTS_READ in may)
LONG_AGO = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class AlertTurn:
    """An alert as whoever tells of alerts needs it; ``opened_turn`` and ``turn`` as on its row."""

    id: UUID
    kind: str
    unit_id: UUID
    unit_code: str
    site_id: UUID
    site_code: str
    first_day: date
    opened_at: datetime
    closed_at: datetime | None
    opened_turn: int
    turn: int


def head_turn() -> int:
    """The turn of the last sweep that changed anything; 0 before the first."""
    found: int | None = Alert.objects.aggregate(last=Max("turn"))["last"]
    return found or 0


def alerts_turned(after: int, upto: int, *, limit: int) -> list[AlertTurn]:
    """Alerts that opened or closed last after a turn and at or before another, in the order of the turns."""
    rows = (
        Alert.objects.filter(turn__gt=after, turn__lte=upto)
        .order_by("turn", "id")
        .values_list(
            "id", "kind", "unit_id", "unit__code", "site_id", "site__code", "first_day", "opened_at", "closed_at",
            "opened_turn", "turn",
        )[:limit]
    )  # fmt: skip
    return [AlertTurn(*row) for row in rows]


def count_turned(after: int, upto: int) -> int:
    return Alert.objects.filter(turn__gt=after, turn__lte=upto).count()


def usual_wish(member_id: UUID, role: str) -> NoticeWish:
    """What a member who has chosen nothing is told: a dispatcher the digest of what is late or goes wrong, others nothing."""
    return NoticeWish(
        member_id=member_id,
        is_daily=role == Role.DISPATCHER,
        kinds=list(USUAL_KINDS),
        hour=USUAL_HOUR,
        changed_at=LONG_AGO,
    )


def wish_of(member_id: UUID) -> NoticeWish:
    """What a member wants to be told: as stored, or the usual."""
    found = NoticeWish.objects.filter(member_id=member_id).first()
    return found or usual_wish(member_id, accounts.get_member(member_id).role)


def wishes(*, locked: bool = False) -> list[tuple[Any, NoticeWish]]:
    """Every active member who may see alerts, by id, with what they want. ``locked``: until the transaction ends."""
    rows: QuerySet[NoticeWish] = NoticeWish.objects.order_by("member_id")
    stored = {wish.member_id: wish for wish in (rows.select_for_update() if locked else rows)}
    members = (
        accounts.members().filter(is_active=True, role__in=TOLD_ROLES).select_related("user").order_by("id")
    )
    return [
        (member, stored.get(member.id) or usual_wish(member.id, member.role))
        for member in members
        if member.user.is_active
    ]


def standing_in(wish: NoticeWish, zone: str, *, since: int, upto: int) -> list[AtSite]:
    """What stands open of a wish's kinds at the sites of a zone; news opened after the turn ``since``."""
    rows = _of_crew(Alert.objects.filter(site__zone=zone, kind__in=wish.kinds), wish.crew_id)
    return _at_sites(rows, since, upto)


def urgent_alerts(wish: NoticeWish, *, upto: int) -> list[AtSite]:
    """What is urgent, opened since they were told last, and still open."""
    rows = Alert.objects.filter(
        turn__gt=wish.urgent_turn, opened_turn__gt=wish.urgent_turn, kind__in=wish.urgent
    )
    return _at_sites(_of_crew(rows, wish.crew_id), wish.urgent_turn, upto)


def reports_between(since: datetime, until: datetime, *, among: Collection[UUID] | None = None) -> list[UUID]:
    """The open reports that were received in a span, its end left out; ``among`` these, if any are named."""
    rows = Report.objects.filter(received_at__gte=since, received_at__lt=until)
    if among is not None:
        rows = rows.filter(event_id__in=among)
    return list(rows.order_by("received_at", "event_id").values_list("event_id", flat=True))


def urgent_slots(member_id: UUID, slots: Collection[str]) -> set[str]:
    """Of these slots the ones under which a member was owed an urgent mail."""
    rows = Notice.objects.filter(member_id=member_id, kind="urgent", slot__in=slots)
    return set(rows.values_list("slot", flat=True))


def urgent_reports(wish: NoticeWish, *, event_ids: Collection[UUID]) -> list[AtSite]:
    """Of these reports the open ones of the kinds that are urgent to somebody."""
    kinds = [kind for kind in wish.urgent if kind in REPORT_KINDS]
    rows = _of_crew(Report.objects.filter(kind__in=kinds, site__isnull=False), wish.crew_id)
    rows = rows.filter(event_id__in=event_ids)
    found = rows.order_by("received_at", "event_id").values_list(
        "site__code", "site__name", "site__zone", "kind", "received_at"
    )
    return [
        AtSite(code, name, kind, 1, 1, clock.local_date(at, zone)) for code, name, zone, kind, at in found
    ]


def report_kind(event_id: UUID) -> str:
    """The kind of a report that is open; "" when it is closed or was never one."""
    return Report.objects.filter(event_id=event_id).values_list("kind", flat=True).first() or ""


def last_digest_turn(member_id: UUID, zone: str) -> int:
    """Up to which turn a member was told of a zone; 0 before the first digest. One that could not be sent told nothing."""
    digests = Notice.objects.filter(member_id=member_id, kind="digest", zone=zone).exclude(outcome="failed")
    told: int | None = digests.aggregate(last=Max("turn"))["last"]
    return told or 0


def has_digest(member_id: UUID, zone: str, on: date) -> bool:
    return Notice.objects.filter(
        member_id=member_id, kind="digest", zone=zone, slot=f"{on:%Y-%m-%d}"
    ).exists()


def last_notices(member_id: UUID, count: int) -> list[Notice]:
    """The last mails that were owed to a member, without those that had nothing to tell."""
    rows = Notice.objects.filter(member_id=member_id).exclude(outcome="nothing").order_by("-owed_at", "-id")
    return list(rows.defer("body")[:count])


def _of_crew(rows: Any, crew_id: UUID | None) -> Any:
    return rows.filter(site__crew_id=crew_id) if crew_id is not None else rows


def _at_sites(rows: Any, since: int, upto: int) -> list[AtSite]:
    """By site and kind; what opened after ``upto`` is for the next time."""
    grouped = (
        rows.filter(closed_at=None, opened_turn__lte=upto)
        .order_by()
        .values("site__code", "site__name", "kind")
        .annotate(
            units=Count("id"), news=Count("id", filter=Q(opened_turn__gt=since)), first_day=Min("first_day")
        )
    )
    return [
        AtSite(row["site__code"], row["site__name"], row["kind"], row["units"], row["news"], row["first_day"])
        for row in grouped
    ]
