"""The parts that say how each wick of a unit fared, from its fitting to its end."""

from __future__ import annotations

from servicing.projections.sets.balances import FITTINGS
from servicing.projections.sets.expressions import epoch_s, moment
from servicing.rules.unit import KEPT_WICKS

# A wick is known by the n of its fitting. Its looks are those after it; what ends it is the last of them.
WICKS_SQL = f"""
wick_looks AS (
    SELECT wick_n, n, kind, occurred_at, payload->>'condition' AS condition, payload->>'reason' = 'failed' AS is_failure
    FROM told_since
    WHERE wick_n IS NOT NULL AND kind IN ('unit.withdrawn', 'wick.changed', 'wick.checked', 'wick.washed')
), since_cleared AS (
    SELECT *, max(n) FILTER (WHERE condition IN ('good', 'slow') OR kind = 'wick.washed') OVER (PARTITION BY wick_n) AS cleared_n
    FROM wick_looks
), fared AS (
    SELECT wick_n, max(occurred_at) FILTER (WHERE condition IN ('good', 'slow')) AS good_at,
        min(occurred_at) FILTER (WHERE condition = 'failed' AND n > coalesce(cleared_n, 0)
            OR kind = 'wick.changed' AND is_failure) AS failed_at,
        max(occurred_at) FILTER (WHERE kind IN ('unit.withdrawn', 'wick.changed')) AS ended_at,
        max(n) FILTER (WHERE kind IN ('unit.withdrawn', 'wick.changed')) AS ended_n, max(cleared_n) AS cleared_n
    FROM since_cleared GROUP BY wick_n
), wicks AS MATERIALIZED (
    SELECT t.subject_id, t.n, t.kind, f.ended_n, f.ended_at,
        CASE WHEN t.payload->>'wick_condition' = 'failed' AND f.cleared_n IS NULL THEN t.occurred_at ELSE f.failed_at END AS failed_at,
        CASE WHEN t.kind = 'wick.changed' OR t.payload->>'wick' = 'new' THEN t.occurred_at
            ELSE {moment("t", "wick_fitted_on")} END AS birth_at,
        coalesce(f.good_at, CASE WHEN t.payload->>'wick_condition' IN ('good', 'slow') THEN t.occurred_at END) AS good_at
    FROM told_since t LEFT JOIN fared f ON f.wick_n = t.n
    WHERE t.kind IN {FITTINGS}
), ended_wicks AS (
    SELECT subject_id, ended_n, jsonb_build_array({epoch_s("birth_at")}, {epoch_s("coalesce(good_at, birth_at)")},
            {epoch_s("failed_at")}, {epoch_s("ended_at")}) AS fared,
        lead(ended_n, {KEPT_WICKS}) OVER (PARTITION BY subject_id ORDER BY ended_n) AS later_n
    FROM wicks WHERE kind <> 'unit.opened' AND {epoch_s("birth_at")} < {epoch_s("ended_at")}
), wick_lives AS (
    SELECT subject_id, jsonb_agg(fared ORDER BY ended_n) AS lives FROM ended_wicks WHERE later_n IS NULL GROUP BY subject_id
)
"""
