"""The audit as an owner reads it, and the check of its chain. Inside an operator's scope."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import islice
from typing import Any
from uuid import UUID

from django.db import connections
from django.db.models import QuerySet

from accounts.models import AuditEntry, Crew, Customer, Device, MachineClient, Member, Site
from accounts.rules.audit_chain import Fault, Head, Kept, faults
from accounts.tenancy import current_operator_id

CHUNK = 2_000
# What is about a change as text: what the driver makes of its numbers is not what is stored.
ENTRIES_SQL = """
    SELECT number, at, actor_kind, actor_id, actor_name, address, request_id, door, action, kind, row_id, about::text, said,
        previous_hash, hash
    FROM accounts_auditentry WHERE operator_id = %s AND (%s::bigint IS NULL OR number > %s) ORDER BY number LIMIT %s
"""
# Enough to tell what is wrong; where one thing is, all that follows may be.
MOST_FAULTS = 20


@dataclass(frozen=True, slots=True)
class Checked:
    """How many entries were read, what is wrong with them, and the last one."""

    entries: int
    faults: Sequence[Fault]
    head: Head


def audit_entries(
    *,
    before: int | None = None,
    actor_id: UUID | None = None,
    actor_kind: str = "",
    kind: str = "",
    row_id: str = "",
    since: datetime | None = None,
    until: datetime | None = None,
) -> QuerySet[AuditEntry]:
    """The newest first: numbers below ``before``, by one actor or kind of actor, of one kind of row, in [since, until)."""
    found = AuditEntry.objects.order_by("-number")
    wanted = {
        "number__lt": before,
        "actor_id": actor_id,
        "actor_kind": actor_kind or None,
        "kind": kind or None,
        "row_id": row_id or None,
        "at__gte": since,
        "at__lt": until,
    }
    return found.filter(**{name: value for name, value in wanted.items() if value is not None})


def last_audit_number() -> int:
    """The number of the last entry; 0 before the first."""
    return AuditEntry.objects.order_by("-number").values_list("number", flat=True).first() or 0


def is_told_since(number: int, *, but_of: Collection[str]) -> bool:
    """Whether an entry after this one is of another kind than these."""
    return AuditEntry.objects.filter(number__gt=number).exclude(kind__in=but_of).exists()


def audit_entry(number: int) -> Head:
    """An entry by its number; before the first when it is not there."""
    found = AuditEntry.objects.filter(number=number).values_list("number", "hash").first()
    return Head(found[0], bytes(found[1])) if found else Head()


def check_audit(heads: Iterable[Head] = (), after: Head | None = None, most: int | None = None) -> Checked:
    """Read the operator's audit again, from ``after`` on and ``most`` entries of it, and hold it against kept heads."""
    entries = _Counted(islice(_kept(after or Head()), most), after or Head())
    wrong = list(islice(faults(current_operator_id(), entries, heads, after), MOST_FAULTS))
    return Checked(entries.count, wrong, entries.last)


class _Counted:
    """Passes entries on, counts them and remembers the last."""

    def __init__(self, entries: Iterator[Kept], after: Head) -> None:
        self.entries, self.count, self.last = entries, 0, after

    def __iter__(self) -> Iterator[Kept]:
        for entry in self.entries:
            self.count += 1
            self.last = Head(entry.number, entry.hash)
            yield entry


def _kept(after: Head) -> Iterator[Kept]:
    """The entries after one as they are stored, a chunk at a time."""
    number: int | None = after.number or None
    while True:
        chunk = _chunk(number)
        yield from chunk
        if len(chunk) < CHUNK:
            return
        number = chunk[-1].number


def _chunk(after: int | None) -> list[Kept]:
    with connections["default"].cursor() as cursor:
        cursor.execute(ENTRIES_SQL, [str(current_operator_id()), after, after, CHUNK])
        return [_kept_of(row) for row in cursor.fetchall()]


def _kept_of(row: tuple[Any, ...]) -> Kept:
    columns = {
        "at": row[1].astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
        "actor_kind": row[2],
        "actor_id": row[3] and str(row[3]),
        "actor_name": row[4],
        "address": row[5],
        "request_id": row[6] and str(row[6]),
        "door": row[7],
        "action": row[8],
        "kind": row[9],
        "row_id": row[10],
    }
    return Kept(row[0], columns, row[11], row[12], bytes(row[13]), bytes(row[14]))


def audit_kinds() -> list[str]:
    """The kinds of rows of which there are entries, by their plain words."""
    # A loose index scan: one step a kind, however many entries there are.
    with connections["default"].cursor() as cursor:
        cursor.execute(
            """
            WITH RECURSIVE kinds AS (
                (SELECT kind FROM accounts_auditentry WHERE operator_id = %(operator)s ORDER BY kind LIMIT 1)
                UNION ALL
                SELECT (SELECT e.kind FROM accounts_auditentry e
                        WHERE e.operator_id = %(operator)s AND e.kind > kinds.kind ORDER BY e.kind LIMIT 1)
                FROM kinds WHERE kinds.kind IS NOT NULL
            )
            SELECT kind FROM kinds WHERE kind <> '' ORDER BY kind
            """,
            {"operator": str(current_operator_id())},
        )
        return [kind for (kind,) in cursor.fetchall()]


def audit_names(ids: Collection[str]) -> dict[str, str]:
    """What the rows of these ids are called now, by id as text: entries do not keep it. Sites and customers by their codes."""
    wanted = [UUID(one) for one in ids if is_uuid(one)]
    names: dict[str, str] = {}
    for model, column in (
        (Member, "name"),
        (Crew, "name"),
        (Device, "label"),
        (Site, "code"),
        (Customer, "code"),
    ):
        rows = model.objects.filter(id__in=wanted)
        names |= {str(row_id): name for row_id, name in rows.values_list("id", column)}
    for row_id, name in MachineClient.objects.filter(operator_id=current_operator_id()).values_list(
        "id", "name"
    ):
        names[str(row_id)] = name
    return names


def is_uuid(text: str) -> bool:
    try:
        UUID(text)
    except ValueError:
        return False
    return True


def audit_actors() -> list[tuple[str, str]]:
    """Who may have acted, by id and name: members, programs and phones."""
    found = [(str(row.id), row.name) for row in Member.objects.all()]
    programs = MachineClient.objects.filter(operator_id=current_operator_id())
    found += [(str(row.uuid), row.name) for row in programs]
    found += [(str(row.id), row.label) for row in Device.objects.filter(kind="phone")]
    return sorted(found, key=lambda one: one[1].casefold())
