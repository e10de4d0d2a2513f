"""Codes that open a site's key box, gate or alarm: sealed when they are set, and shown to the crew that goes there, noted.

Nobody in the office can have one read back. What opens one stands in a local name of ``show_code`` and in its answer.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from uuid import UUID

from django.db import connection
from django.views.decorators.debug import sensitive_variables

from accounts import auditing, clock, tenancy
from accounts import queries as accounts
from accounts.errors import BadInput, Conflict, Forbidden, Problem, TooMany
from accounts.ids import uuid7
from accounts.languages import _
from accounts.permissions import Actor, ActorKind, Permission, require
from accounts.queries import sealing
from servicing.models import EntrySecret, EntryShowing, PlannedVisit
from servicing.queries import entries
from servicing.rules.entries import (
    MOST_AT_A_SITE,
    MOST_CODE,
    MOST_LABEL,
    MOST_SHOWINGS,
    gives_away,
    is_plain,
    seconds_left,
)

PURPOSE = "entry code"


@dataclass(frozen=True, slots=True)
class Shown:
    """A code as it was shown, for the visit planned for ``day``. ``code`` is left out of what is printed of it."""

    id: UUID
    label: str
    code: str = field(repr=False)
    day: date
    shown_at: datetime


@sensitive_variables("code")
def set_code(*, actor: Actor, site_id: UUID, label: str, code: str) -> EntrySecret:
    """Keep a code of a site, sealed. One that is kept under the same label is struck: its content goes for good.

    ``label`` says what it opens, such as "Key box"; ``code`` is one line. BadInput for what can't be kept.
    """
    require(actor, Permission.ENTRIES_MANAGE)
    label, code = " ".join(label.split()), code.strip()
    _refuse_wrong(label, code)
    now = clock.now()
    row = EntrySecret(operator_id=actor.operator_id, id=uuid7(now), site_id=site_id, label=label, set_at=now)
    with tenancy.writing(actor):
        accounts.get_site(site_id)
        _one_at_a_time(str(site_id))
        kept = list(entries.codes_of(site_id))
        before = [one.id for one in kept if one.label.casefold() == label.casefold()]
        if not before and len(kept) >= MOST_AT_A_SITE:
            raise Conflict(
                _("{most} codes are kept of this site already. Strike one that is not used.", most=len(kept))
            )
        EntrySecret.objects.filter(id__in=before).update(sealed=None, struck_at=now)
        row.set_by_id = actor.id if actor.kind is ActorKind.MEMBER else None
        row.sealed = sealing.seal_text(PURPOSE, _about(row.id), code)
        EntrySecret.objects.bulk_create([row])
    return row


def strike_code(*, actor: Actor, site_id: UUID, code_id: UUID) -> None:
    """Remove a code's content for good; that it was kept, and its showings, stay. One that is struck stays so."""
    require(actor, Permission.ENTRIES_MANAGE)
    with tenancy.writing(actor):
        row = EntrySecret.objects.filter(site_id=site_id, id=code_id, struck_at__isnull=False).first()
        if row is None:
            row = entries.get_code(site_id, code_id)
            EntrySecret.objects.filter(id=row.id, struck_at=None).update(sealed=None, struck_at=clock.now())


@sensitive_variables("code")
def show_code(*, actor: Actor, site_id: UUID, code_id: UUID) -> Shown:
    """Open a code for somebody of the crew that has a visit planned there today, and note it, in one transaction.

    Each call is one more showing. Forbidden for everybody else and on any other day of the site's zone; TooMany when the
    crew was shown 30 that day; Conflict for a code whose key is not here. NotFound for one that is struck or not here.
    """
    require(actor, Permission.ENTRIES_SHOW)
    now = clock.now()
    with tenancy.writing(actor):
        site = accounts.get_site(site_id)
        row = entries.get_code(site_id, code_id)
        plan = entries.visit_on(actor, site)
        if plan is None:
            raise _not_today()
        if actor.kind is ActorKind.DEVICE and actor.id and accounts.is_of_program(actor.id):
            raise Forbidden(
                _(
                    "A program registered this phone, and no program is shown a code. Ask the office for another token."
                )
            )
        local = now.astimezone(clock.zone_of(site.zone))
        assert actor.crew_id is not None, "the visit is planned for it"
        _refuse_collecting(actor.crew_id, plan.day, seconds_left(local))
        # Locked, so that it is not struck or replaced while it is shown.
        sealed = EntrySecret.objects.select_for_update().values_list("sealed", flat=True).get(id=row.id)
        code = sealing.unseal_text(PURPOSE, _about(row.id), sealed) if sealed is not None else None
        if code is None:
            raise Conflict(_("This code can't be read any more. Ask the office to set it anew."))
        _note(actor, row, plan, now)
        auditing.note(
            action="shown", kind="entry code", row_id=row.id, site=site.code, day=plan.day.isoformat()
        )
    return Shown(row.id, row.label, code, plan.day, now)


def reseal_codes(*, actor: Actor) -> int:
    """Seal every kept code by the present key of the environment, so that the one before can go. Gives how many.

    BadInput, and nothing changed, when one opens with none of the keys that are set.
    """
    require(actor, Permission.ENTRIES_MANAGE)
    with tenancy.writing(actor):
        rows = list(EntrySecret.objects.select_for_update().filter(struck_at=None).order_by("id"))
        fresh = {row.id: sealing.seal_anew(PURPOSE, _about(row.id), row.sealed) for row in rows}
        lost = sum(blob is None for blob in fresh.values())
        if lost:
            raise BadInput(
                _(
                    "{lost} of {all} codes of sites open neither with WICKROUND_TEXT_KEY nor with "
                    "WICKROUND_TEXT_KEY_BEFORE, so nothing was changed. Set the key they were sealed by.",
                    lost=lost,
                    all=len(rows),
                )
            )
        for code_id, blob in fresh.items():
            EntrySecret.objects.filter(id=code_id).update(sealed=blob)
    return len(rows)


def _about(code_id: UUID) -> bytes:
    """What a sealed code belongs to: this row of this operator."""
    return tenancy.current_operator_id().bytes + code_id.bytes


@sensitive_variables("code")
def _refuse_wrong(label: str, code: str) -> None:
    problems = []
    if not 1 <= len(label) <= MOST_LABEL or not is_plain(label):
        said = _("Say in 1 to {most} characters what it opens, such as: Key box.", most=MOST_LABEL)
        problems.append(Problem("/label", "length", said))
    if not 1 <= len(code) <= MOST_CODE or not is_plain(code):
        said = _("A code has 1 to {most} characters, in one line.", most=MOST_CODE)
        problems.append(Problem("/code", "length", said))
    elif gives_away(label, code):
        said = _("The code stands in what it opens, where everybody could read it. Leave it out there.")
        problems.append(Problem("/label", "gives-away", said))
    if problems:
        raise BadInput(_("The code was not kept."), errors=problems)


def _not_today() -> Forbidden:
    return Forbidden(
        _(
            "Codes are shown on the day to the crew that has a visit planned here, and to nobody else. Ask the office to plan "
            "the visit for your crew."
        )
    )


def _refuse_collecting(crew_id: UUID, day: date, wait_seconds: int) -> None:
    _one_at_a_time(str(crew_id))
    if entries.showings_on(crew_id, day) >= MOST_SHOWINGS:
        raise TooMany(
            _(
                "Your crew was shown {most} codes today, which is as many as a day has. Call the office.",
                most=MOST_SHOWINGS,
            ),
            retry_after_seconds=wait_seconds,
        )


def _note(actor: Actor, row: EntrySecret, plan: PlannedVisit, now: datetime) -> None:
    assert actor.id is not None, "whoever belongs to a crew has an id"
    assert actor.crew_id is not None, "the visit is planned for it"
    showing = EntryShowing(
        secret_id=row.id,
        crew_id=actor.crew_id,
        actor_kind=actor.kind,
        actor_id=actor.id,
        name=actor.name,
        day=plan.day,
        shown_at=now,
    )
    EntryShowing.objects.bulk_create([showing])


def _one_at_a_time(of: str) -> None:
    """Until the end of the transaction: two that count the same rows don't both find room."""
    with connection.cursor() as cursor:
        key = f"entries/{tenancy.current_operator_id()}/{of}"
        cursor.execute("SELECT pg_advisory_xact_lock(hashtextextended(%s, 0))", [key])
