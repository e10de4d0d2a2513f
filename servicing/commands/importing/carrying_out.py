"""The import of a file that was looked at: its rows are judged anew, then what is new is stored in one transaction.

How units stood is recorded after that, at most a hundred of them a transaction, so that the crews' uploads come in between.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any
from uuid import UUID

from accounts import tenancy
from accounts.errors import Conflict, NotFound
from accounts.jobs import long
from accounts.jobs.kinds import CARRY_OUT_IMPORT, LOOK_AT_IMPORT
from accounts.jobs.long import Step
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from accounts.queries import work as works
from fleet.commands import importing
from fleet.commands.importing import Fate, Line
from servicing.commands.importing.judging import UNITS, opening_of, said_of
from servicing.commands.importing.looking import (
    FIRST_LEFT_OUT,
    FIRST_NEW,
    add_told,
    judge_part,
    nothing_told,
    put_left_out,
)
from servicing.commands.opening import record_openings

if TYPE_CHECKING:
    from accounts.jobs.long import LongWork

AT_ONCE = 100


def begin_import(*, actor: Actor, look_id: UUID, only_if_all_good: bool = False) -> UUID:
    """Owe the import of a file that was looked at. Gives the work's id; of one that is at hand already, that one's.

    ``only_if_all_good``: nothing is stored when any row is wrong. Conflict while the look is going on, or when it did not
    come to an end; NotFound when it is not there.
    """
    require(actor, Permission.FLEET_MANAGE)
    with tenancy.writing(actor):
        look = works.get_work(actor, look_id)
        if look.kind != LOOK_AT_IMPORT:
            raise NotFound(_("There is no import here with this id."))
        require(actor, importing.permission_for(look.asked["kind"]))
        if look.outcome != long.Outcome.DONE:
            raise Conflict(_("This file was not looked at to its end, so nothing of it can be imported."))
        # NotFound when its rows are kept no longer.
        long.file_of(look, 1)
        asked = {"look": str(look.id), "kind": look.asked["kind"], "name": look.asked["name"]}
        work = long.begin(
            kind=CARRY_OUT_IMPORT,
            ref=str(look.id),
            asked={**asked, "only_if_all_good": only_if_all_good},
            actor=actor,
        )
        return work.id


def run_import(operator_id: UUID, job_id: UUID) -> bool:
    """The import as a job; see ``long.run``."""
    return long.run(operator_id, job_id, chunk=_chunk)


def _chunk(actor: Actor, work: LongWork) -> Step:
    look = works.get_work(actor, UUID(work.asked["look"]))
    steps = {"judging": _judge, "storing": _store, "opening": _open}
    return steps[work.cursor.get("phase", "judging")](actor, work, look)


def _judge(actor: Actor, work: LongWork, look: LongWork) -> Step:
    """Anew, for much may have changed since the look."""
    part = work.cursor.get("part", 1)
    before = work.result or {name: look.result[name] for name in ("columns", "delimiter")} | nothing_told()
    lines = judge_part(actor, work, of=look, part=part)
    fresh = [line for line in lines if line.fate is Fate.NEW]
    long.put_file(work, FIRST_NEW + part, long.PART, importing.packing.lines_packed(fresh))
    result = add_told(work, before, lines)
    is_over = part == look.result["parts"]
    cursor = {"phase": "storing"} if is_over else {"phase": "judging", "part": part + 1}
    done = work.done + len(lines)
    return Step(done, _steps(work, look, result), cursor=cursor, result=result, phase=str(cursor["phase"]))


def _steps(work: LongWork, look: LongWork, result: dict[str, Any]) -> int:
    """A step is a row judged; one stored; and one unit of which is recorded how it stood."""
    rows = int(look.result["rows"])
    judged = sum(result["counts"].values())
    # Until all are judged nobody knows how many are new; then no more steps are left than these.
    fresh = result["counts"][str(Fate.NEW)] if judged == rows else rows
    return rows + fresh * (2 if work.asked["kind"] == UNITS else 1)


def _fresh(work: LongWork, look: LongWork) -> Iterator[tuple[int, list[Line]]]:
    for part in range(1, look.result["parts"] + 1):
        yield part, importing.packing.lines_of(bytes(long.file_of(work, FIRST_NEW + part).content))


def _store(actor: Actor, work: LongWork, look: LongWork) -> Step:
    """All that is new, in this one transaction."""
    kind, counts = work.asked["kind"], work.result["counts"]
    if work.asked["only_if_all_good"]:
        importing.refuse_wrong(counts[str(Fate.WRONG)])
    of, done = _steps(work, look, work.result), work.done
    tell = long.telling(work)
    for _part, lines in _fresh(work, look):
        tell(done, of)
        rows = [line.values for line in lines if kind != UNITS or line.values.get("is_new")]
        importing.add_rows(actor=actor, kind=kind, rows=rows)
        done += len(lines)
    if kind != UNITS or not counts[str(Fate.NEW)]:
        return Step(of, of, is_last=True, phase="storing")
    return Step(done, of, cursor={"phase": "opening", "part": 1, "at": 0}, phase="opening")


def _open(actor: Actor, work: LongWork, look: LongWork) -> Step:
    """The next hundred units of a part that hung already."""
    part, at = work.cursor["part"], work.cursor["at"]
    lines = importing.packing.lines_of(bytes(long.file_of(work, FIRST_NEW + part).content))
    now = lines[at : at + AT_ONCE]
    hung = [line for line in now if "station_id" in line.values]
    fates = record_openings(actor=actor, openings=[opening_of(line.values) for line in hung])
    late = []
    for line, fate in zip(hung, fates, strict=True):
        if fate.fate == "refused":
            line.wrong = [said_of(one) for one in fate.problems]
            line.fate = Fate.WRONG
            late.append(line)
    result = _with_late(work, part, late) if late else work.result
    at += AT_ONCE
    if at >= len(lines):
        part, at = part + 1, 0
    of = _steps(work, look, work.result)
    done = min(of, work.done + len(now))
    cursor = {"phase": "opening", "part": part, "at": at}
    return Step(done, of, is_last=part > look.result["parts"], cursor=cursor, result=result, phase="opening")


def _with_late(work: LongWork, part: int, late: list[Line]) -> dict[str, Any]:
    """With those that somebody put up, or hung another in their place, since they were judged."""
    kept = importing.packing.lines_of(_left_out_of(work, part))
    put_left_out(work, part, [*kept, *late])
    result = add_told(work, work.result, late)
    return {**result, "counts": {**result["counts"], "new": result["counts"]["new"] - len(late)}}


def _left_out_of(work: LongWork, part: int) -> bytes:
    try:
        return bytes(long.file_of(work, FIRST_LEFT_OUT + part).content)
    except NotFound:
        return b"[]"
