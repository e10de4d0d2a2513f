"""That everything of an operator is taken along, as it stands in the audit."""

from __future__ import annotations

from accounts import auditing, tenancy
from accounts.permissions import Actor, Permission, require


def note_export(*, actor: Actor) -> None:
    """Before it begins, so that none is made unseen."""
    require(actor, Permission.EVERYTHING_EXPORT)
    with tenancy.writing(actor):
        auditing.note(action="exported", kind="everything", row_id=actor.operator_id)
