"""Files of rows that were sent to be imported: the look at each, and the import if it was asked for."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any
from uuid import UUID

from accounts.errors import NotFound
from accounts.jobs import long
from accounts.jobs.kinds import CARRY_OUT_IMPORT, LOOK_AT_IMPORT
from accounts.jobs.long import LongWork
from accounts.languages import _
from accounts.permissions import Actor
from accounts.queries import work as works
from accounts.queries.work import Shown

DONE = "done"
STATES = ["looking", "looked_at", "importing", "imported", "refused", "cancelled", "failed"]
MOST_SHOWN = 10
SHOWN = 900  # the number of the file with the rows to be shown


@dataclass(frozen=True, slots=True)
class Import:
    """A file of rows. ``look`` is the work that judged its rows; ``carried_out`` the one that imported them, if one was asked for.

    ``shown``: the first rows that are wrong and new, each its line, what it says and why it is wrong.
    """

    look: Shown
    carried_out: Shown | None
    shown: Mapping[str, Sequence[Any]] = field(default_factory=dict)

    @property
    def id(self) -> UUID:
        return self.look.id

    @property
    def kind(self) -> str:
        return str(self.look.asked["kind"])

    @property
    def name(self) -> str:
        return str(self.look.asked["name"])

    @property
    def work(self) -> Shown:
        """What was asked for last."""
        return self.carried_out or self.look

    @property
    def state(self) -> str:
        """One of ``STATES``; refused, cancelled or failed is the look, or the import if that was asked for.

        After an import that was refused the file may be imported again.
        """
        work = self.work
        if work.is_going_on:
            return "importing" if self.carried_out else "looking"
        if work.state == DONE:
            return "imported" if self.carried_out else "looked_at"
        return work.state

    @property
    def is_imported(self) -> bool:
        return self.state == "imported"

    @property
    def may_be_imported(self) -> bool:
        """Whether its rows were judged to the end, and none is being imported or was."""
        return self.look.state == DONE and self.state not in {"importing", "imported"}

    @property
    def told_by(self) -> UUID:
        """The work whose figures are the newest that are complete."""
        return (self._import_told() or self.look).id

    @property
    def counts(self) -> Mapping[str, int] | None:
        """Rows by what becomes of them: new, there, wrong. None until all were judged."""
        if self.look.state != DONE:
            return None
        counts: Mapping[str, int] = (self._import_told() or self.look).result["counts"]
        return counts

    @property
    def rows(self) -> int:
        return int(self.look.result.get("rows", 0))

    @property
    def notes(self) -> Sequence[str]:
        """Sentences on what of the file was passed over."""
        notes: Sequence[str] = self.look.result.get("notes", ())
        return notes

    @property
    def wrong_rows(self) -> list[dict[str, Any]]:
        """The first rows that are wrong, by name."""
        return [
            {"line": line, "says": says, "reasons": why} for line, says, why in self.shown.get("wrong", ())
        ]

    def _import_told(self) -> Shown | None:
        """The import, once it has judged all rows anew."""
        work = self.carried_out
        return work if work is not None and work.state == DONE else None


def get_import(actor: Actor, look_id: UUID) -> Import:
    """A file that was sent. NotFound when it is not there or nothing that the actor may follow."""
    look = works.get_work(actor, look_id)
    if look.kind != LOOK_AT_IMPORT:
        raise NotFound(_("There is no import here with this id."))
    found = Import(works.shown([look])[0], works.last_work(CARRY_OUT_IMPORT, str(look_id)))
    return replace(found, shown=shown_rows(works.get_work(actor, found.told_by)))


def shown_rows(work: LongWork) -> dict[str, list[Any]]:
    """By fate, the first rows that a look or an import put aside to be shown; none when they are kept no longer."""
    try:
        shown: dict[str, list[Any]] = json.loads(bytes(long.file_of(work, SHOWN).content))
    except NotFound:
        return {}
    return shown


def last_imports(actor: Actor) -> list[Import]:
    """The longer files that were sent last, the newest first."""
    looks = works.shown(works.works(actor).filter(kind=LOOK_AT_IMPORT)[:MOST_SHOWN])
    asked = works.works(actor).filter(kind=CARRY_OUT_IMPORT, ref__in=[str(one.id) for one in looks])
    carried_out: dict[str, Shown] = {}
    for one in works.shown(asked):
        carried_out.setdefault(one.ref, one)
    return [Import(look, carried_out.get(str(look.id))) for look in looks]
