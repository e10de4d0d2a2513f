"""What programs of the accounts call our rows: one name a row and system, and one row a name."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from uuid import UUID

from django.db import IntegrityError

from accounts import clock, tenancy
from accounts.commands.customers import lock_customers
from accounts.errors import BadInput, Conflict, NotFound, Problem
from accounts.ids import uuid7
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from billing.models import ExternalId
from billing.queries import naming

MOST_SYSTEM, MOST_EXTERNAL_ID = 40, 120  # characters
SYSTEM = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}\Z")


@dataclass(frozen=True, slots=True)
class NewName:
    """What ``system``, a word that the program chose for itself, calls the row of a kind that has this id."""

    system: str
    kind: str
    object_id: UUID
    external_id: str

    @property
    def thing(self) -> tuple[str, str, UUID]:
        return self.system, self.kind, self.object_id

    @property
    def name(self) -> tuple[str, str, str]:
        return self.system, self.kind, self.external_id


def set_external_id(*, actor: Actor, name: NewName) -> ExternalId:
    """Set one name; see ``set_external_ids``."""
    return set_external_ids(actor=actor, names=[name])[0]


def set_external_ids(*, actor: Actor, names: Sequence[NewName]) -> list[ExternalId]:
    """Name rows, or name them anew; all or none, pointers begin with the name's index.

    BadInput for what can't be a name or for a row named twice, NotFound for a row that is not there, Conflict for a name
    that another row of the kind has in that system. The same again changes nothing.
    """
    require(actor, Permission.BOOKS_MAP)
    _refuse_odd(names)
    try:
        with tenancy.writing(actor):
            _refuse_absent(names)
            return _stored(names, actor.id)
    except IntegrityError:
        raise Conflict(
            _("Somebody else set one of these names at the same time. Nothing was changed: send it again.")
        ) from None


def remove_external_id(*, actor: Actor, system: str, kind: str, object_id: UUID) -> None:
    """Forget what a system calls a row. NotFound if it calls it nothing."""
    require(actor, Permission.BOOKS_MAP)
    with tenancy.writing(actor):
        naming.get_external_id(system, kind, object_id).delete()


def _stored(names: Sequence[NewName], set_by: UUID | None) -> list[ExternalId]:
    wanted = {new.thing: new for new in names}
    there = {
        (row.system, row.kind, row.object_id): row
        for row in naming.external_ids()
        .filter(object_id__in={new.object_id for new in names})
        .select_for_update()
    }
    same = {
        thing: row
        for thing, row in there.items()
        if thing in wanted and row.external_id == wanted[thing].external_id
    }
    moved = [row.id for thing, row in there.items() if thing in wanted and thing not in same]
    _refuse_taken(names)
    # A name may go from one row to another within one list, so what is named anew loses its old name first.
    ExternalId.objects.filter(id__in=moved).delete()
    now = clock.now()
    made = {
        thing: ExternalId(
            id=uuid7(),
            system=new.system,
            kind=new.kind,
            object_id=new.object_id,
            external_id=new.external_id,
            set_at=now,
            set_by=set_by,
        )
        for thing, new in wanted.items()
        if thing not in same
    }
    ExternalId.objects.bulk_create(made.values())
    return [(same | made)[new.thing] for new in names]


def _refuse_taken(names: Sequence[NewName]) -> None:
    """Conflict for a name of another row that keeps it."""
    changing = {new.thing for new in names}
    holders = {
        (row.system, row.kind, row.external_id): (row.system, row.kind, row.object_id)
        for row in naming.external_ids().filter(external_id__in={new.external_id for new in names})
    }
    first: dict[tuple[str, str, str], tuple[str, str, UUID]] = {}
    problems = []
    for index, new in enumerate(names):
        holder = holders.get(new.name)
        other = holder if holder not in changing else None
        if first.setdefault(new.name, other or new.thing) != new.thing:
            detail = _(
                "{external_id} is what {system} calls another {kind} already.",
                external_id=new.external_id,
                system=new.system,
                kind=new.kind.replace("_", " "),
            )
            problems.append(Problem(f"/{index}/external_id", "taken", detail))
    if problems:
        raise Conflict(_("{problem} Nothing was changed.", problem=problems[0].detail), errors=problems)


def _refuse_absent(names: Sequence[NewName]) -> None:
    asked: dict[str, set[UUID]] = defaultdict(set)
    for new in names:
        asked[new.kind].add(new.object_id)
    # Only customers can go; one that is named stays until its name is stored, and then both can go.
    known = {
        kind: lock_customers(ids) if kind == "customer" else naming.known_ids(kind, ids)
        for kind, ids in asked.items()
    }
    problems = [
        Problem(f"/{index}/id", "not-found", _("There is nothing here of this kind with this id."))
        for index, new in enumerate(names)
        if new.object_id not in known[new.kind]
    ]
    if problems:
        raise NotFound(_("{problem} Nothing was changed.", problem=problems[0].detail), errors=problems)


def _refuse_odd(names: Sequence[NewName]) -> None:
    problems = [
        Problem(f"/{index}{one.pointer}", one.code, one.detail)
        for index, new in enumerate(names)
        for one in _problems(new)
    ]
    seen: set[tuple[str, str, UUID]] = set()
    for index, new in enumerate(names):
        if new.thing in seen:
            problems.append(Problem(f"/{index}/id", "repeated", _("Name a row once.")))
        seen.add(new.thing)
    if problems:
        raise BadInput(_("{problem} Nothing was changed.", problem=problems[0].detail), errors=problems)


def _problems(new: NewName) -> Iterator[Problem]:
    yield from system_problems(new.system)
    yield from name_problems(new.external_id, "external_id", MOST_EXTERNAL_ID)


def system_problems(system: str) -> Iterator[Problem]:
    """A word for a system that can't be one."""
    if not SYSTEM.match(system):
        yield Problem(
            "/system",
            "word",
            _("A system is one word of up to {most} letters, digits, dots and dashes.", most=MOST_SYSTEM),
        )


def name_problems(text: str, field: str, most: int, least: int = 1) -> Iterator[Problem]:
    """A name in another system that can't be one: empty, too long, or with what can't be printed."""
    if not least <= len(text) <= most or not text.isprintable() or text != text.strip():
        yield Problem(
            f"/{field}",
            "text",
            _(
                "It has {least} to {most} characters that can be printed, no space at its ends.",
                least=least,
                most=most,
            ),
        )
