"""What people do by form: record work and pauses, undo an event, take note of an alert. All through the same log."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date, datetime
from typing import Any
from uuid import UUID

from accounts import clock, tenancy
from accounts.errors import BadInput, NotFound, Problem
from accounts.ids import uuid7
from accounts.permissions import Actor, ActorKind, Permission, require
from servicing import log
from servicing.commands.sweeps import mark_acknowledged
from servicing.commands.uploads import MOST_EVENTS, Fate, upload_events
from servicing.models import Alert


def record_events(*, actor: Actor, events: Sequence[dict[str, Any]]) -> list[Fate]:
    """Append what a person filled in. All or a refusal: BadInput names every event that could not be taken.

    Each event as in an upload, without a device sequence; an id and ``occurred_at`` may be left out.
    """
    now = clock.now()
    member = {"member": str(actor.id)} if actor.kind is ActorKind.MEMBER else {}
    drafts = [{"id": str(uuid7(now)), "occurred_at": now.isoformat(), **member, **event} for event in events]
    fates = upload_events(actor=actor, events=drafts)
    refused = [(index, fate) for index, fate in enumerate(fates) if fate.fate in {"refused", "conflict"}]
    if refused:
        raise BadInput(
            f"{len(refused)} of {len(fates)} entries could not be taken; the others are recorded.",
            errors=[Problem(f"/{index}", fate.code, fate.detail) for index, fate in refused],
        )
    return fates


def counter_event(*, actor: Actor, event_id: UUID, reason: str, id: UUID | None = None) -> UUID:  # noqa: A002
    """Undo an event by a counter-event; undoing a counter-event restores the first. Gives the new event's id."""
    require(actor, Permission.EVENTS_COUNTER)
    with tenancy.reading(actor):
        found = log.events_by_id([event_id])
    if not found:
        raise NotFound("There is no event here with this id.")
    made = id or uuid7(clock.now())
    record_events(
        actor=actor,
        events=[
            {
                "id": str(made),
                "type": "event.countered",
                "subject": {"kind": found[0].subject_kind, "id": str(found[0].subject_id)},
                "corrects": str(event_id),
                "payload": {"reason": reason},
            }
        ],
    )
    return made


def acknowledge_alert(*, actor: Actor, alert_id: UUID) -> None:
    """Take note of an alert: an event that names its key. The alert stays until it is no longer true."""
    acknowledge_alerts(actor=actor, alert_ids=[alert_id])


def acknowledge_alerts(*, actor: Actor, alert_ids: Collection[UUID]) -> None:
    """Take note of several alerts. NotFound when one of them is not this operator's; then none is noted."""
    require(actor, Permission.ALERTS_ACKNOWLEDGE)
    with tenancy.reading(actor):
        alerts = list(Alert.objects.filter(id__in=alert_ids).order_by("first_day", "id"))
    if len(alerts) < len(set(alert_ids)):
        raise NotFound("There is no alert here with this id.")
    events = [
        {
            "type": "alert.acknowledged",
            "subject": {"kind": "unit", "id": str(alert.unit_id)},
            "payload": {"kind": alert.kind, "first_day": str(alert.first_day)},
        }
        for alert in alerts
    ]
    for start in range(0, len(events), MOST_EVENTS):
        record_events(actor=actor, events=events[start : start + MOST_EVENTS])
    # The next sweep would do the same; whoever takes note wants to see it now.
    with tenancy.writing(actor):
        mark_acknowledged()


def begin_standstill(
    *,
    actor: Actor,
    site_id: UUID,
    starts_on: date,
    ends_on: date | None,
    billing: str,
    at: datetime | None = None,
) -> None:
    """A site pauses from its first to its last day; ``billing`` full, half or none is its rule."""
    payload = {"starts_on": str(starts_on), "billing": billing} | (
        {"ends_on": str(ends_on)} if ends_on else {}
    )
    if ends_on is not None and ends_on < starts_on:
        raise BadInput("A standstill's last day can't lie before its first; nothing was recorded.")
    record_events(
        actor=actor,
        events=[
            {
                "type": "standstill.began",
                "subject": {"kind": "site", "id": str(site_id)},
                "payload": payload,
                **({"occurred_at": at.isoformat()} if at else {}),
            }
        ],
    )
