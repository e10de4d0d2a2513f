"""How often what a page shows has changed: one row, found by its key."""

from __future__ import annotations

from datetime import datetime

from django.db import connection

from accounts.tenancy import current_operator_id

SWEEP = "sweep"
PULSE_SQL = "SELECT count, changed_at FROM servicing_pulse WHERE operator_id = %s AND page = %s"


def pulse(page: str = "lookout") -> tuple[int, datetime | None]:
    """The beats so far and the instant of the last; none yet: 0 and None."""
    with connection.cursor() as cursor:
        cursor.execute(PULSE_SQL, [current_operator_id(), page])
        row = cursor.fetchone()
    return (int(row[0]), row[1]) if row else (0, None)


def swept() -> tuple[int, datetime | None]:
    """The beats that the last sweep had seen, and its instant; none yet: 0 and None."""
    return pulse(SWEEP)
