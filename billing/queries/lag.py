"""How far the programs that are told of changes are behind what there is to tell."""

from __future__ import annotations

from dataclasses import dataclass

from django.db import connection

from accounts import clock
from accounts.tenancy import current_operator_id


@dataclass(frozen=True, slots=True)
class Untold:
    """Of one operator: endpoints that are told, changes the slowest of them was not told of yet, and since when the oldest
    message waits to be delivered, in seconds; how many do.
    """

    endpoints: int
    changes: int
    waiting: int
    seconds: int


# As many as these, and no more, are counted: what is behind by more is far behind.
MOST_CHANGES = 10_000
_UNTOLD_SQL = """
WITH told AS (
    SELECT count(*) AS endpoints, min(told_position) AS position FROM billing_webhookendpoint
    WHERE operator_id = %(operator)s AND stopped_at IS NULL
)
SELECT told.endpoints, (
        SELECT count(*) FROM (
            SELECT 1 FROM billing_change WHERE operator_id = %(operator)s AND position > told.position LIMIT %(most)s
        ) c
    ), waiting.deliveries, coalesce(extract(epoch FROM %(now)s - waiting.since), 0)::int
FROM told CROSS JOIN LATERAL (
    SELECT count(*) AS deliveries, min(d.made_at) AS since FROM billing_webhookdelivery d
    JOIN billing_webhookendpoint e ON e.operator_id = d.operator_id AND e.id = d.endpoint_id AND e.stopped_at IS NULL
    WHERE d.operator_id = %(operator)s AND d.delivered_at IS NULL AND d.given_up_at IS NULL
) waiting
"""


def untold() -> Untold:
    """Of the scope's operator, in one statement."""
    with connection.cursor() as cursor:
        cursor.execute(
            _UNTOLD_SQL, {"operator": current_operator_id(), "most": MOST_CHANGES, "now": clock.now()}
        )
        return Untold(*cursor.fetchone())
