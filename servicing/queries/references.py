"""Which of the rows that events name are the scope's operator's: absent and foreign look the same."""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple
from uuid import UUID

from accounts.tenancy import current_operator_id
from servicing.events.reading import PAYLOADS, fields_of
from servicing.events.types import Payload, Subject
from servicing.log import NewEvent
from servicing.queries.prepared import PLAN_ONCE, array, row_of

# The payload fields that name a row, and the table that it is in.
REFERENCES = {
    "site_id": "accounts_site",
    "station_id": "fleet_station",
    "crew_id": "accounts_crew",
    "cartridge_id": "fleet_cartridge",
}
_NAMED = {
    kind: [(name, table) for name, table in REFERENCES.items() if name in fields_of(kind)]
    for kind in PAYLOADS
}
_SUBJECTS = {str(Subject.UNIT): "fleet_unit", str(Subject.SITE): "accounts_site"}
_MEMBERS = "accounts_member"
TABLES = ("fleet_unit", "accounts_site", "fleet_station", "accounts_crew", "fleet_cartridge", _MEMBERS)


class Named(NamedTuple):
    """A row that an event names: the table and the id."""

    table: str
    id: UUID


class KnownRows(NamedTuple):
    office_id: UUID
    rows: set[Named]


def named_rows(event: NewEvent, payload: Payload) -> set[Named]:
    """The rows that an event is about or names. A visit is none: its id is the crew's."""
    found = {
        Named(table, row_id) for name, table in _NAMED[payload.TYPE] if (row_id := getattr(payload, name))
    }
    if event.subject_kind in _SUBJECTS:
        found.add(Named(_SUBJECTS[event.subject_kind], event.subject_id))
    if event.member_id:
        found.add(Named(_MEMBERS, event.member_id))
    return found


def known_rows(named: Collection[Named], *, in_line: bool = False) -> KnownRows:
    """Those of these rows that the operator has, and the id of its office's device.

    ``in_line``: wait first until no other transaction that asked so is open; then hold up those that ask later.
    """
    ids: dict[str, list[UUID]] = {table: [] for table in TABLES}
    for one in named:
        ids[one.table].append(one.id)
    office_id, _, _, _, _, *found = row_of(
        _IN_LINE_SQL if in_line else _KNOWN_SQL,
        {"operator": current_operator_id(), **{table: array(wanted) for table, wanted in ids.items()}},
    )
    rows = {Named(table, row_id) for table, there in zip(TABLES, found, strict=True) for row_id in there}
    return KnownRows(office_id, rows)


_KNOWN_SQL = (
    f"SELECT (SELECT id FROM accounts_device WHERE operator_id = %(operator)s AND kind = 'office'), {PLAN_ONCE}, NULL"
    + "".join(
        f", ARRAY(SELECT id FROM {table} WHERE operator_id = %(operator)s AND id = ANY(%({table})s::uuid[]))"
        for table in TABLES
    )
)

# One slice of a phone at a time comes as far as the operator's lock, where the office would wait behind all of them.
_IN_LINE_SQL = _KNOWN_SQL.replace(
    "NULL", "pg_advisory_xact_lock(hashtextextended('uploads/' || %(operator)s::text, 0))::text", 1
)
