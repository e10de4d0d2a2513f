"""When a hint is tried again: ten attempts over about three days, apart from each other by a jitter of its own."""

from __future__ import annotations

import hashlib
from datetime import timedelta
from uuid import UUID

# After which attempt how long. The Standard Webhooks specification 1.0.0 advises such a schedule, with jitter.
PAUSES = (
    timedelta(seconds=5),
    timedelta(minutes=5),
    timedelta(minutes=30),
    timedelta(hours=2),
    timedelta(hours=5),
    timedelta(hours=10),
    timedelta(hours=14),
    timedelta(hours=20),
    timedelta(hours=24),
)
MOST_ATTEMPTS = len(PAUSES) + 1
JITTER_PER_MILLE = 200
LONGEST_ASKED = timedelta(hours=24)
# An endpoint that failed all this time without a success is stopped.
FAILING = timedelta(days=5)


def pause(delivery_id: UUID, attempt: int, retry_after: int | None = None) -> timedelta | None:
    """How long to wait after the ``attempt``-th failure in a row (from 1); None when that was the last one.

    Each pause is drawn from +-20 % of the usual one, always the same for a delivery, so that the hints of one outage do
    not all come back at once. ``retry_after``: the seconds that the receiver asked for; the pause is no shorter, but
    never longer than a day for it.
    """
    if not 1 <= attempt < MOST_ATTEMPTS:
        return None
    usual = PAUSES[attempt - 1] * (1_000 + _drawn(delivery_id, attempt)) / 1_000
    return max(usual, min(timedelta(seconds=max(retry_after or 0, 0)), LONGEST_ASKED))


def _drawn(delivery_id: UUID, attempt: int) -> int:
    """A number from -200 to 200, evenly spread over deliveries and attempts."""
    digest = hashlib.sha256(delivery_id.bytes + attempt.to_bytes(2, "big")).digest()
    return int.from_bytes(digest[:8], "big") % (2 * JITTER_PER_MILLE + 1) - JITTER_PER_MILLE
