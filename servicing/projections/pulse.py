"""How a page that asks again learns that what it shows has changed: whoever changes that adds one beat."""

from __future__ import annotations

from accounts import clock
from accounts.tenancy import current_operator_id
from servicing.queries.prepared import row_of

LOOKOUT = "lookout"

_BEAT_SQL = """
INSERT INTO servicing_pulse AS p (operator_id, page, count, changed_at)
VALUES (%(operator)s, %(page)s, 1, %(now)s::timestamptz)
ON CONFLICT (operator_id, page) DO UPDATE SET count = p.count + 1, changed_at = excluded.changed_at
RETURNING count
"""


def beat(page: str = LOOKOUT) -> None:
    """Add one beat inside the caller's transaction, as its last write: the row stays locked until commit."""
    row_of(_BEAT_SQL, {"operator": current_operator_id(), "page": page, "now": clock.now().isoformat()})
