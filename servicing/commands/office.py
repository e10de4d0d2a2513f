"""What people do by form: record work and pauses, undo an event, take note of an alert. All through the same log."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date, datetime
from typing import Any
from uuid import UUID, uuid5

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.commands.customers import FIRST_YEAR, LAST_YEAR
from accounts.errors import BadInput, Conflict, Forbidden, NotFound, Problem
from accounts.ids import uuid7
from accounts.languages import _
from accounts.permissions import Actor, ActorKind, Permission, require
from fleet import queries as fleet
from servicing import log
from servicing.commands.personal import file_text
from servicing.commands.uploads import MOST_EVENTS, Fate, upload_events
from servicing.events.reading import PAYLOADS
from servicing.events.types import REPORT_KINDS, EventType, Subject
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
            _(
                "{refused} of {all} entries could not be taken; the others are recorded.",
                refused=len(refused),
                all=len(fates),
            ),
            errors=[Problem(f"/{index}", fate.code, fate.detail) for index, fate in refused],
        )
    return fates


def counter_event(*, actor: Actor, event_id: UUID, reason: str, id: UUID | None = None) -> UUID:  # noqa: A002
    """Undo an event by a counter-event; undoing a counter-event restores the first. Gives the new event's id."""
    require(actor, Permission.EVENTS_COUNTER)
    with tenancy.reading(actor):
        found = log.events_by_id([event_id])
    if not found:
        raise NotFound(_("There is no event here with this id."))
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
        raise NotFound(_("There is no alert here with this id."))
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


def begin_standstill(
    *,
    actor: Actor,
    site_id: UUID,
    starts_on: date,
    ends_on: date | None,
    billing: str,
    at: datetime | None = None,
    id: UUID | None = None,  # noqa: A002
) -> UUID:
    """A site pauses from its first to its last day; ``billing`` full, half or none is its rule. Gives the event's id.

    The same again with the same ``id`` records nothing more. NotFound for a site that is not there.
    """
    require(actor, Permission.EVENTS_RECORD)
    if ends_on is not None and ends_on < starts_on:
        early = _("A standstill's last day can't lie before its first; nothing was recorded.")
        raise BadInput(early, errors=[Problem("/ends_on", "before-start", early)])
    for name, day in (("starts_on", starts_on), ("ends_on", ends_on)):
        if day is not None and not FIRST_YEAR <= day.year <= LAST_YEAR:
            far = f"A standstill lies in the years {FIRST_YEAR} to {LAST_YEAR}; nothing was recorded."
            raise BadInput(far, errors=[Problem(f"/{name}", "out-of-range", far)])
    payload = {"starts_on": str(starts_on), "billing": billing} | (
        {"ends_on": str(ends_on)} if ends_on else {}
    )
    _refuse_absent(actor, "site", site_id)
    return _record_once(actor, id, "standstill.began", ("site", site_id), payload, at=at)


def receive_report(
    *,
    actor: Actor,
    about: Subject,
    subject_id: UUID,
    kind: str,
    who: str = "",
    said: str = "",
    id: UUID | None = None,  # noqa: A002
) -> UUID:
    """Take down what somebody reports of a site or a unit. Gives the event's id, by which it is closed later.

    ``who`` said it and what they ``said`` are filed encrypted first; the event names their id and hash. Should the
    event then fail, the text is there without it: it can be erased, and sending the same again makes the event.
    The same again with the same ``id`` records nothing more. NotFound for a site or unit that is not there.
    """
    require(actor, Permission.EVENTS_RECORD)
    _refuse_phone(actor)
    if kind not in REPORT_KINDS:
        wrong = _("Expected: one of {words}.", words=", ".join(REPORT_KINDS))
        raise BadInput(
            _("This report could not be taken. {why}", why=wrong),
            errors=[Problem("/kind", "unreadable", wrong)],
        )
    _refuse_absent(actor, str(about), subject_id)
    payload = {"kind": kind}
    made = id or uuid7(clock.now())
    if who.strip() or said.strip():
        text = file_text(actor=actor, who=who, said=said, id=uuid5(made, "personal text"))
        payload |= {"text_id": str(text.text_id), "text_hash": text.hash}
    return _record_once(actor, made, "report.received", (str(about), subject_id), payload)


def _refuse_phone(actor: Actor) -> None:
    if actor.kind is ActorKind.DEVICE:
        raise Forbidden(_("A phone sends this as a service event, with its own number."))


def _refuse_absent(actor: Actor, kind: str, subject_id: UUID) -> None:
    try:
        with tenancy.reading(actor):
            (fleet.get_unit if kind == Subject.UNIT else accounts.get_site)(subject_id)
    except NotFound as absent:
        absent.errors = [Problem(f"/{kind}", "not-found", absent.detail)]
        raise


def _record_once(
    actor: Actor,
    event_id: UUID | None,
    kind: str,
    subject: tuple[str, UUID],
    payload: dict[str, Any],
    *,
    at: datetime | None = None,
) -> UUID:
    """Append one event of the office; sent again its time would be another, so what it says is compared instead."""
    _refuse_phone(actor)
    made = event_id or uuid7(clock.now())
    version = PAYLOADS[EventType(kind)].VERSION
    said = {
        "type": kind,
        "schema_version": version,
        "subject": {"kind": subject[0], "id": str(subject[1])},
        "payload": payload,
    }
    if event_id is not None and _is_stored(actor, event_id, kind, subject, payload):
        return made
    try:
        record_events(
            actor=actor,
            events=[{**said, "id": str(made), **({"occurred_at": at.isoformat()} if at else {})}],
        )
    except BadInput:
        # Sent twice at once, the other came first, with a time of its own.
        if event_id is None or not _is_stored(actor, event_id, kind, subject, payload):
            raise
    return made


def _is_stored(
    actor: Actor, event_id: UUID, kind: str, subject: tuple[str, UUID], payload: dict[str, Any]
) -> bool:
    """Whether an event is there that says the same; Conflict for one that says something else."""
    with tenancy.reading(actor):
        stored = log.events_by_id([event_id])
    if stored and (stored[0].type, stored[0].subject_kind, stored[0].subject_id, stored[0].payload) != (
        kind,
        *subject,
        payload,
    ):
        raise Conflict(_("An event with this id and other content is stored already; the stored one stays."))
    return bool(stored)
