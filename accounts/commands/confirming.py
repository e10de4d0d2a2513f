"""A signed-in person shows again who they are: at a desk where somebody else may sit by now."""

from __future__ import annotations

import logging
from uuid import UUID

from django.contrib.sessions.backends.base import SessionBase

from accounts import clock
from accounts.commands import passwords, second_factor
from accounts.errors import BadInput, Problem
from accounts.languages import _
from accounts.queries.confirming import KEPT_AS
from accounts.queries.second_factor import has_second_factor

log = logging.getLogger("wickround.security")


def confirm(*, user_id: UUID, session: SessionBase, password: str, code: str = "") -> None:
    """Take a person's password, and their second factor where they have one; the session goes on under a new key.

    BadInput for a wrong one, with its pointer; TooMany while tries have to wait.
    """
    passwords.require_own(user_id=user_id, password=password)
    if has_second_factor(user_id):
        if not code:
            missing = _("Fill this in.")
            raise BadInput(missing, errors=[Problem("/code", "missing", missing)])
        second_factor.give(user_id=user_id, typed=code)
    session[KEPT_AS] = clock.now().isoformat()
    session.cycle_key()
    log.info("confirmed user=%s", user_id)
