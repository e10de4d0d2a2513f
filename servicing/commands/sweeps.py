"""The sweep: which alerts are true of an operator today. Opens and closes rows; doing it again changes nothing."""

from __future__ import annotations

from datetime import date
from uuid import UUID

from django.db import connection

from accounts import clock, tenancy
from accounts import queries as accounts
from accounts.jobs import ALERTS_TURNED, Job, enqueue, perform
from accounts.permissions import Actor
from servicing import log
from servicing.commands import noticing
from servicing.projections import alerts, due
from servicing.projections.missed import open_missed
from servicing.projections.pulse import beat, mark_swept
from servicing.queries.pulse import pulse, swept
from servicing.rules.missed import missed_days


def sweep(*, actor: Actor) -> dict[str, int]:
    """Open what has become true and close what is true no more; returns how many of each."""
    with tenancy.writing(actor, lock_timeout_ms=0):
        return sweep_alerts()


def sweep_alerts(days: dict[str, date] | None = None) -> dict[str, int]:
    """The sweep inside an open scope; ``days`` gives each zone's local date, by default today's."""
    beats, _ = pulse()  # before anything else is read: what changes meanwhile is the next sweep's
    turned = alerts.turn(days or _today())
    if turned.opened or turned.closed:
        enqueue(kind=ALERTS_TURNED, dedup_key=f"turn/{turned.turn}", ref=str(turned.turn))
    if turned.opened:
        noticing.owe_turn(turned.turn)
    if turned.opened or turned.closed:
        beat()
        beats += 1
    mark_swept(beats)
    return {"opened": turned.opened, "closed": turned.closed}


def _today() -> dict[str, date]:
    return {zone: clock.today(zone) for zone in accounts.site_zones()}


def run_sweep(operator_id: UUID, job_id: UUID) -> bool:
    """A sweep as a job: effect and job row in one transaction; a second run finds it done."""
    return perform(operator_id, job_id, _sweep_effect)


def _sweep_effect(actor: Actor, job: Job) -> None:
    days = _today()
    if not _is_swept(days):
        _open_missed(days)
        sweep_alerts(days)


def _open_missed(days: dict[str, date]) -> None:
    """What was true only on days since the last sweep on which there was none: no alert is missing for want of a clock."""
    _, swept_at = swept()
    if swept_at is None:
        return
    missed = missed_days({zone: clock.local_date(swept_at, zone) for zone in days}, days)
    if missed:
        turn, opened = open_missed(missed)
        if opened:
            enqueue(kind=ALERTS_TURNED, dedup_key=f"turn/{turn}", ref=str(turn))
            noticing.owe_turn(turn)


def _is_swept(days: dict[str, date]) -> bool:
    """Whether a sweep would change nothing: the days are those of the last one, and no fold, fit or plan came since.

    Each hour has one of its own all the same, so that whatever forgot to say that it changed something is caught.
    """
    beats, swept_at = swept()
    if swept_at is None or beats != pulse()[0]:
        return False
    now = clock.now()
    return (
        swept_at <= now
        and swept_at.replace(minute=0, second=0, microsecond=0)
        == now.replace(minute=0, second=0, microsecond=0)
        and all(clock.local_date(swept_at, zone) == day for zone, day in days.items())
    )


def refresh_due(operator_id: UUID, job_id: UUID) -> bool:
    """An agreement or a rule changed: make the due days of its site (all sites when none is named) anew, as a job."""
    return perform(operator_id, job_id, _refresh_effect)


def _refresh_effect(actor: Actor, job: Job) -> None:
    if not job.ref:
        # One job a site, so that no transaction holds the operator's lock for long.
        for site_id in accounts.sites().values_list("id", flat=True):
            enqueue(kind=job.kind, dedup_key=f"{job.dedup_key}/{site_id}", ref=str(site_id))
        return
    with connection.cursor() as cursor:
        # As an upload does: else both would write the same unit's due days.
        log.lock_operator(cursor, actor.operator_id)
    due.refresh({}, [UUID(job.ref)])
    beat()
