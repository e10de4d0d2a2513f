"""Printing labels, which makes the units."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NoReturn
from uuid import UUID

from accounts import clock
from accounts.commands.masterdata import insert_rows
from accounts.errors import BadInput, Conflict, NotFound, Problem
from accounts.ids import is_label_code, new_label_code, normalise_label_code, uuid7
from accounts.languages import _
from accounts.permissions import Actor, Permission, require
from fleet.models import Unit

MOST_LABELS = 2_000


def print_labels(
    *,
    actor: Actor,
    unit_model_id: UUID,
    count: int = 0,
    codes: Sequence[str] = (),
    ids: Sequence[UUID] = (),
) -> list[Unit]:
    """Make units by printing their labels: ``count`` new codes, or the given ones. BadInput names a wrong code."""
    require(actor, Permission.FLEET_MANAGE)
    if codes and count:
        both = _("Ask for a count of new labels or give their codes, not both.")
        raise BadInput(both, errors=[Problem("/count", "both", both)])
    if count > MOST_LABELS:
        _refuse_count("/count")
    wanted = [normalise_label_code(code) for code in codes] or [new_label_code() for _ in range(count)]
    wrong = [
        Problem(
            f"/codes/{index}",
            "label-code",
            _("{code} is no label code: its check character does not fit.", code=code),
        )
        for index, code in enumerate(wanted)
        if not is_label_code(code)
    ]
    if wrong:
        raise BadInput(_("Some label codes are misspelt; no label was made."), errors=wrong)
    if not 0 < len(wanted) <= MOST_LABELS or (ids and len(ids) != len(wanted)):
        _refuse_count("/codes" if codes else "/count")
    printed_at = clock.now()
    rows = [
        {
            "id": ids[index] if ids else uuid7(printed_at),
            "code": code,
            "unit_model_id": unit_model_id,
            "printed_at": printed_at,
        }
        for index, code in enumerate(wanted)
    ]
    try:
        return insert_rows(actor, Unit, rows)
    except (Conflict, NotFound) as refusal:
        refusal.errors = _as_asked(refusal.errors)
        raise


def _refuse_count(pointer: str) -> NoReturn:
    few = _("Ask for 1 to {most} labels at a time, with one id a label or none.", most=MOST_LABELS)
    raise BadInput(few, errors=[Problem(pointer, "out-of-range", few)])


def _as_asked(problems: Sequence[Problem]) -> list[Problem]:
    """Pointing into the codes and the one unit model that were asked for, not into the rows made of them."""
    told = [
        (one, "/unit_model" if one.pointer.endswith("/unit_model") else f"/codes/{one.pointer.split('/')[1]}")
        for one in problems
    ]
    return list(dict.fromkeys(Problem(pointer, one.code, one.detail) for one, pointer in told))
