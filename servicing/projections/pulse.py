"""How a page that asks again learns that what it shows has changed: whoever changes that adds one beat."""

from __future__ import annotations

from accounts import clock
from accounts.tenancy import current_operator_id
from servicing.queries.prepared import row_of
from servicing.queries.pulse import SWEEP

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


_SWEPT_SQL = """
INSERT INTO servicing_pulse (operator_id, page, count, changed_at)
VALUES (%(operator)s, %(page)s, %(beats)s::bigint, %(now)s::timestamptz)
ON CONFLICT (operator_id, page) DO UPDATE SET count = excluded.count, changed_at = excluded.changed_at
RETURNING count
"""


def mark_swept(beats: int) -> None:
    """Keep up to which of the lookout's beats the alerts are as a sweep leaves them. The caller holds the sweeps' lock."""
    values = {"operator": current_operator_id(), "page": SWEEP, "beats": str(beats)}
    row_of(_SWEPT_SQL, values | {"now": clock.now().isoformat()})
