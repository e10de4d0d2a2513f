"""Nothing serves or works with a role that isolation does not bind: it ends with one sentence instead.

Such a role sees and changes every operator's rows, whatever the policies say, and nothing would look wrong. A database
that is away at the start is no reason to end: it is asked again with the first request or task.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterable
from typing import Any

import django
from django.db import DatabaseError, connections

# By alias: the variable that names the role.
VARIABLES = {"default": "DATABASE_URL", "system": "DATABASE_SYSTEM_URL"}
# gunicorn ends altogether when one of its workers ends with this; with another it would start it anew, for ever.
REFUSED = 3

Start = Callable[..., Any]
Application = Callable[[dict[str, Any], Start], Iterable[bytes]]


class Roles:
    """What this process knows of its roles: once they held, or did not, nobody asks again."""

    def __init__(self) -> None:
        self.hold = False
        self.refusal = ""
        self.started_in = os.getpid()

    def wrong(self) -> str:
        """One sentence about a role that must not serve; empty while they hold, or while no database answers."""
        if not self.hold and not self.refusal:
            try:
                found = [sentence for alias in VARIABLES if (sentence := _wrong_with(alias))]
            except DatabaseError:
                return ""
            self.hold, self.refusal = not found, " ".join(found)
        return self.refusal

    def end_the_process(self) -> None:
        """Say why, and have the process that was started end: what starts it anew meets ``refuse``."""
        sys.stderr.write(self.refusal + "\n")
        os.kill(self.started_in, signal.SIGTERM)


roles = Roles()


def refuse() -> None:
    """End here, with the sentence and status ``REFUSED``, if a role must not serve."""
    django.setup()
    roles.started_in = os.getpid()
    if wrong := roles.wrong():
        sys.stderr.write(wrong + "\n")
        raise SystemExit(REFUSED)


def _wrong_with(alias: str) -> str:
    # Here, because Celery reads this module before Django is set up, and these need its models.
    from accounts.tenancy import APP_ROLE, SYSTEM_ROLE  # noqa: PLC0415
    from accounts.tenancy.standing import above_isolation  # noqa: PLC0415

    role = {"default": APP_ROLE, "system": SYSTEM_ROLE}[alias]
    # One of its own: it leaves no connection behind in a process that forks.
    connection = connections[alias].copy()
    try:
        with connection.cursor() as cursor:
            found = above_isolation(cursor, role)
    finally:
        connection.close()
    user = connection.settings_dict["USER"]
    return (
        f"{VARIABLES[alias]} signs in as {user}, who {', '.join(found)}; name {role} there, as config/sql/roles.sql makes it."
        if found
        else ""
    )


class Guarded:
    """The web server's application: as long as it is not known whether the roles hold, each request asks first."""

    def __init__(self, application: Application) -> None:
        self.application = application

    def __call__(self, environ: dict[str, Any], start: Start) -> Iterable[bytes]:
        if not roles.hold and roles.wrong():
            roles.end_the_process()
            start("503 Service Unavailable", [("Content-Type", "text/plain"), ("Retry-After", "60")])
            return [b"not ready: role\n"]
        return self.application(environ, start)
