"""Acts that are noted in the audit by their name: what no changed row tells, such as who was shown something or signed in."""

from __future__ import annotations

import json
from typing import Any
from uuid import UUID

from django.core.serializers.json import DjangoJSONEncoder
from django.db import connections

from accounts import tenancy
from accounts.permissions import Actor, ActorKind, Role, system_actor


def note(*, action: str, kind: str = "", row_id: object = "", **about: Any) -> None:
    """Add an entry at the end of the open ``tenancy.writing``: its actor did this, to this row of this kind.

    ``about`` is JSON that any owner may read for ever: no names, addresses, texts or secrets. Kept if the transaction is.
    """
    operator_id = tenancy.current_operator_id()
    row = (str(operator_id), action, kind, str(row_id), json.dumps(about, cls=DjangoJSONEncoder))

    def add() -> None:
        # Number, time, actor, origin and seal are filled in by the database.
        with connections["default"].cursor() as cursor:
            cursor.execute(
                "INSERT INTO accounts_auditentry (operator_id, action, kind, row_id, about) VALUES (%s, %s, %s, %s, %s)",
                row,
            )

    tenancy.at_the_end(add)


def note_of_person(*, user_id: UUID, action: str, by_person: bool = True, **about: Any) -> None:
    """Add an entry to each operator for which a person works, outside of any scope: sign-ins, passwords, second factors.

    ``by_person``: the person did it; else the service did, such as by a command.
    """
    with connections["default"].cursor() as cursor:
        cursor.execute(
            "SELECT operator_id, member_id, member_name, role FROM accounts_memberships(%s)", [user_id]
        )
        memberships = cursor.fetchall()
    for operator_id, member_id, name, role in memberships:
        actor = (
            Actor(operator_id=operator_id, kind=ActorKind.MEMBER, role=Role(role), id=member_id, name=name)
            if by_person
            else system_actor(operator_id)
        )
        # However long another transaction of the operator takes: who may sign in does so.
        with tenancy.writing(actor, lock_timeout_ms=0):
            note(action=action, kind="member", row_id=member_id, **about)
