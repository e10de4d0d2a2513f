"""The upload: what crews' phones and programs send, event by event, each with its own answer."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db import OperationalError
from psycopg import errors as postgres

from accounts import clock, tenancy
from accounts.errors import Busy, TooLarge
from accounts.languages import N_, _
from accounts.permissions import Actor, ActorKind, Permission, require
from servicing import log
from servicing.commands import noticing
from servicing.commands.envelopes import Fate, ReadyEvent, read_event
from servicing.events.types import EventType, ReportReceived
from servicing.log import NewEvent
from servicing.projections.folding import catch_up, fold_page, lock_for_folding
from servicing.projections.pulse import beat
from servicing.queries.references import known_rows, named_rows
from servicing.rules.fold import FoldEvent
from servicing.rules.notices import REPORT_KINDS

MOST_EVENTS = 500
SLICE = 100

# Stands for the office's device until its id is read with the rest.
_OFFICE = UUID(int=0)

# Phones and programs come with hundreds of events and wait for each other, so that the office waits for one of them.
_IN_LINE = {ActorKind.DEVICE, ActorKind.CLIENT}

REASONS = {
    "sequence-taken": N_("This device sequence is already used by another event of this device."),
    "other-content": N_("An event with this id and other content is stored already; the stored one stays."),
    "unknown-subject": N_("There is no such unit or site here."),
}


def upload_events(*, actor: Actor, events: Sequence[Any]) -> list[Fate]:
    """Append an upload of up to 500 events and answer for each. One bad event never sinks its batch.

    Each transaction takes at most 100 events. Raises Busy when one waits too long for its turn: the slices before it
    stay, and sending the whole upload again is safe. Raises TooLarge for more than 500 events.
    """
    require(actor, Permission.EVENTS_RECORD)
    if len(events) > MOST_EVENTS:
        raise TooLarge(
            _(
                "Send at most {most} events at a time; these were {count}. Nothing was stored.",
                most=MOST_EVENTS,
                count=len(events),
            )
        )
    return _upload(actor, events)


def load_events(*, actor: Actor, events: Sequence[Any]) -> list[Fate]:
    """Append events as an upload does, with the same checks and answers, and leave their fold for later.

    For loading a past: any number of events, each transaction takes 100 and lets others in between. Until
    ``fold_pending``, or an upload by anybody, what is folded (states, due days, visits, reports) shows what was so
    before; the log, and what reads it, is never behind. Raises Busy as an upload does.
    """
    require(actor, Permission.EVENTS_RECORD)
    return _upload(actor, events, is_folded=False)


def fold_pending(*, actor: Actor) -> int:
    """Fold what was loaded, 2,000 events a transaction, and say how many they were. Doing it again folds nothing more.

    Raises Busy when one of them waits too long for its turn; what was folded before stays.
    """
    require(actor, Permission.EVENTS_RECORD)
    folded = 0
    while count := _fold_page(actor):
        folded += count
    return folded


def _fold_page(actor: Actor) -> int:
    try:
        with tenancy.writing(actor):
            lock_for_folding(actor.operator_id)
            folded = fold_page()
            if folded:
                beat()
            return folded
    except OperationalError as wait:
        if isinstance(wait.__cause__, postgres.LockNotAvailable):
            raise Busy(
                _(
                    "Uploads of this operator are being stored. What was folded so far stays; "
                    "ask again in a moment to fold the rest."
                ),
                retry_after_seconds=2,
            ) from wait
        raise


def _upload(actor: Actor, events: Sequence[Any], *, is_folded: bool = True) -> list[Fate]:
    received_at = clock.now()
    fates: list[Fate] = []
    for start in range(0, len(events), SLICE):
        fates += _upload_slice(actor, events[start : start + SLICE], received_at, start, is_folded=is_folded)
    return fates


def _upload_slice(
    actor: Actor, events: Sequence[Any], received_at: datetime, start: int, *, is_folded: bool
) -> list[Fate]:
    device_id = actor.id if actor.kind is ActorKind.DEVICE and actor.id is not None else _OFFICE
    read = [read_event(actor, device_id, event, received_at) for event in events]
    fates: dict[int, Fate] = {index: one for index, one in enumerate(read) if isinstance(one, Fate)}
    ready = {index: one for index, one in enumerate(read) if isinstance(one, ReadyEvent)}
    if not ready:
        return read  # type: ignore[return-value]
    try:
        with tenancy.writing(actor):
            named = {index: named_rows(one.event, one.payload) for index, one in ready.items()}
            known = known_rows(set().union(*named.values()), in_line=actor.kind in _IN_LINE)
            fates |= {
                index: _refused(ready[index].event, "unknown-subject")
                for index, rows in named.items()
                if not rows <= known.rows
            }
            kept = {index: one for index, one in ready.items() if index not in fates}
            if device_id is _OFFICE:
                kept = {
                    index: replace(one, event=replace(one.event, device_id=known.office_id))
                    for index, one in kept.items()
                }
            appended = log.append([one.event for one in kept.values()])
            fresh = _fresh(kept.values(), appended)
            if is_folded and fresh:
                catch_up(fresh)
                _owe_notices(fresh.values())
    except OperationalError as wait:
        if isinstance(wait.__cause__, postgres.LockNotAvailable):
            raise Busy(
                _(
                    "The first {count} events were taken. Another upload of this operator is being stored; "
                    "send the whole upload again in a moment.",
                    count=start,
                ),
                retry_after_seconds=2,
            ) from wait
        raise
    fates |= {index: _fate_of(one) for index, one in zip(kept, appended, strict=True)}
    return [fates[index] for index in range(len(events))]


def _owe_notices(fresh: Iterable[FoldEvent]) -> None:
    """Of reports by which liquid may be where people touch it, whoever wants to be told at once is."""
    for event in fresh:
        if isinstance(event.payload, ReportReceived) and event.payload.kind in REPORT_KINDS:
            noticing.owe_report(event.event_id)


def _fresh(ready: Collection[ReadyEvent], appended: Sequence[log.Appended]) -> dict[int, FoldEvent]:
    """The events that were appended just now, by position, as the folds see them."""
    return {
        one.position: FoldEvent(
            event_id=event.event_id,
            device_id=event.device_id,
            device_sequence=one.device_sequence or 0,
            type=EventType(event.type),
            subject_kind=event.subject_kind,
            subject_id=event.subject_id,
            occurred_at=event.occurred_at,
            received_at=event.received_at,
            payload=payload,
            said=event.payload,
            corrects=event.corrects,
            visit_id=event.visit_id,
        )
        for (event, payload), one in zip(((r.event, r.payload) for r in ready), appended, strict=True)
        if one.fate == "accepted" and one.position is not None
    }


def _fate_of(appended: log.Appended) -> Fate:
    event_id = str(appended.event_id)
    if appended.fate == "sequence_taken":
        return Fate(event_id, "refused", code="sequence-taken", detail=_(REASONS["sequence-taken"]))
    if appended.fate == "conflict":
        return Fate(event_id, "conflict", code="other-content", detail=_(REASONS["other-content"]))
    return Fate(event_id, appended.fate, appended.position)


def _refused(event: NewEvent, code: str) -> Fate:
    return Fate(str(event.event_id), "refused", code=code, detail=_(REASONS[code]))
