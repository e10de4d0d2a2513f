"""The look at a long file: read once, then judged some thousand rows at a time, by the workers."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any
from uuid import UUID

from django.db import connection

from accounts import tenancy
from accounts.errors import BadInput, NotFound, Problem
from accounts.jobs import long
from accounts.jobs.kinds import CARRY_OUT_IMPORT, LOOK_AT_IMPORT
from accounts.jobs.long import Step
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from accounts.queries import work as works
from fleet.commands import importing
from fleet.commands.importing import Fate, Line, Row, Seen
from servicing.commands.importing.judging import UNITS, judge_rows
from servicing.queries import imports

if TYPE_CHECKING:
    from accounts.jobs.long import LongWork

PART_ROWS = 5_000
SHOWN_WRONG, SHOWN_NEW = 200, 20
MOST_NAME = 120
# What is kept with the work: the file is number 0, its rows follow; then what was left out of each part of them.
ROWS, LEFT_OUT = "rows", "left-out"
FIRST_LEFT_OUT, SEEN, FIRST_NEW = 1_000, 2_000, 3_000


def begin_look(*, actor: Actor, kind: str, content: bytes, name: str) -> UUID:
    """Owe the look at a file of up to 100,000 rows and 20 MB. Gives its id; of the same file at hand already, that one's.

    ``name`` is what the file is called, for people. What is wrong with the file as a whole is said when the look has ended.
    """
    require(actor, importing.permission_for(kind))
    if kind == UNITS:
        require(actor, Permission.EVENTS_RECORD)
    refuse_size(content)
    digest = hashlib.sha256(content).hexdigest()
    asked = {"kind": kind, "name": name[:MOST_NAME]}
    with tenancy.writing(actor):
        work = long.begin(
            kind=LOOK_AT_IMPORT,
            ref=f"{kind}/{digest[:16]}",
            asked=asked,
            actor=actor,
            files=[(asked["name"], content)],
        )
        return work.id


def refuse_size(content: bytes) -> None:
    """BadInput for nothing, TooLarge for more than 20 MB."""
    if not content:
        detail = _("This file is empty.")
        raise BadInput(detail, errors=[Problem("/file", "empty", detail)])
    importing.refuse_large(content)


def run_look(operator_id: UUID, job_id: UUID) -> bool:
    """The look as a job; see ``long.run``."""
    return long.run(operator_id, job_id, chunk=_look)


def _look(actor: Actor, work: LongWork) -> Step:
    return _judge_part(actor, work) if work.cursor else _read(actor, work)


def _read(actor: Actor, work: LongWork) -> Step:
    """The whole file at once: what is wrong with it as a whole ends the look."""
    kind = work.asked["kind"]
    content = bytes(long.file_of(work, 0).content)
    table = importing.read_file(
        actor=actor, kind=kind, content=content, most=importing.MOST_ROWS_OF_ALL, tell=_stay_awake
    )
    parts = [table.rows[start : start + PART_ROWS] for start in range(0, len(table.rows), PART_ROWS)]
    for number, rows in enumerate(parts, start=1):
        long.put_file(work, number, ROWS, importing.packing.rows_packed(table.columns, rows))
    told = {
        "columns": table.columns,
        "delimiter": table.delimiter,
        "notes": table.notes,
        "rows": len(table.rows),
        "parts": len(parts),
    }
    return Step(0, len(table.rows), cursor={"part": 1}, result={**told, **nothing_told()}, phase="judging")


def _stay_awake(_rows: int) -> None:
    """PostgreSQL ends a transaction in which nothing is asked for a while, and a large workbook takes longer to read."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")


def nothing_told() -> dict[str, Any]:
    """What is told of lines before any was judged."""
    return {"counts": dict.fromkeys(map(str, Fate), 0)}


def _judge_part(actor: Actor, work: LongWork) -> Step:
    part = work.cursor["part"]
    lines = judge_part(actor, work, of=work, part=part)
    result = add_told(work, work.result, lines)
    done = work.done + len(lines)
    is_last = part == result["parts"]
    return Step(
        done, result["rows"], is_last=is_last, cursor={"part": part + 1}, result=result, phase="judging"
    )


def judge_part(actor: Actor, work: LongWork, *, of: LongWork, part: int) -> list[Line]:
    """The lines of one part of the rows that were read by the work ``of``; what is left out is put aside with ``work``."""
    rows = rows_of_part(of, part)
    seen = importing.packing.seen_of(bytes(long.file_of(work, SEEN).content)) if part > 1 else Seen()
    lines = judge_rows(actor=actor, kind=of.asked["kind"], rows=rows, seen=seen)
    if part < of.result["parts"]:
        long.put_file(work, SEEN, long.PART, importing.packing.seen_packed(seen))
    put_left_out(work, part, [line for line in lines if line.fate is Fate.WRONG])
    return lines


def rows_of_part(work: LongWork, part: int) -> list[Row]:
    packed = bytes(long.file_of(work, part).content)
    return importing.packing.rows_of(work.result["columns"], packed)


def put_left_out(work: LongWork, part: int, lines: Sequence[Line]) -> None:
    if lines:
        long.put_file(work, FIRST_LEFT_OUT + part, LEFT_OUT, importing.packing.lines_packed(lines))


def add_told(work: LongWork, result: dict[str, Any], lines: Sequence[Line]) -> dict[str, Any]:
    """The result with these lines counted; the first of them that are wrong or new are put aside, to be shown."""
    counts = dict(result["counts"])
    shown = {name: list(rows) for name, rows in imports.shown_rows(work).items()}
    most = {str(Fate.WRONG): SHOWN_WRONG, str(Fate.NEW): SHOWN_NEW}
    for line in lines:
        fate = str(line.fate)
        counts[fate] += 1
        if len(shown.get(fate, ())) < most.get(fate, 0):
            shown.setdefault(fate, []).append([line.line, says(line, result["columns"]), line.wrong])
    long.put_file(work, imports.SHOWN, "shown", json.dumps(shown).encode())
    return {**result, "counts": counts}


def left_out_file(*, actor: Actor, work_id: UUID) -> tuple[str, str]:
    """The kind of a file, and the rows of it that a look or an import left out as CSV, each with its reasons.

    NotFound when it is not there, or when its rows are kept no longer.
    """
    require(actor, Permission.FLEET_MANAGE)
    with tenancy.reading(actor):
        work = works.get_work(actor, work_id)
        if work.kind not in {LOOK_AT_IMPORT, CARRY_OUT_IMPORT}:
            raise NotFound(_("There is no import here with this id."))
        kind, told = work.asked["kind"], work.result
        require(actor, importing.permission_for(kind))
        lines = [
            line
            for part in long.files_of(work, LEFT_OUT)
            for line in importing.packing.lines_of(bytes(part.content))
        ]
    if told.get("counts", {}).get(str(Fate.WRONG)) and not lines:
        raise NotFound(_("These rows are kept no longer. Send the file again."))
    return kind, importing.left_out(told.get("columns", []), told.get("delimiter", ","), lines)


def says(line: Line, columns: Sequence[str]) -> str:
    """The filled cells of a line, for a person who looks for it."""
    names = [name for name in columns if name != importing.columns.REASON]
    return ", ".join(line.cells[name] for name in names if line.cells.get(name))
