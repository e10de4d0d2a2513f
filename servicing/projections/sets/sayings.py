"""The parts that say what is wrong with a unit and what people said of it: faults, reports, notes taken, findings."""

from __future__ import annotations

from servicing.projections.sets.expressions import at
from servicing.rules.unit import DOWN_MODES

_ANYTIME = "('alert.acknowledged', 'report.closed', 'report.received')"
_OPENED_AGAIN = "('opened_twice', 'opened_after_installed')"
_DOWN = ", ".join(f"'{mode}'" for mode in sorted(DOWN_MODES))

SAYINGS_SQL = f"""
closed_faults AS (
    SELECT life, payload->>'mode' AS mode, max(n) AS n FROM told WHERE life IS NOT NULL AND kind = 'fault.closed' GROUP BY 1, 2
), open_faults AS (
    SELECT f.life, f.payload->>'mode' AS mode, min(f.occurred_at) AS at
    FROM told f JOIN lives l ON l.life = f.life
    LEFT JOIN closed_faults c ON c.life = f.life AND c.mode = f.payload->>'mode'
    WHERE f.kind = 'fault.found' AND l.withdrawn_at IS NULL
        AND f.n > greatest(0, c.n, CASE f.payload->>'mode' WHEN 'NOO' THEN l.exchange_n WHEN 'LOO' THEN l.change_n
            WHEN 'PLU' THEN l.dripping_n WHEN 'ELU' THEN l.leak_n END)
    GROUP BY 1, 2
), faults AS (
    SELECT life, jsonb_object_agg(mode, {at("at")}) AS open_faults, bool_or(mode IN ({_DOWN})) AS is_down
    FROM open_faults GROUP BY life
), received AS MATERIALIZED (
    SELECT subject_id, event_id, payload->>'kind' AS kind, occurred_at FROM told WHERE kind = 'report.received'
), closings AS MATERIALIZED (
    SELECT t.subject_id, t.n, t.payload->>'report_event_id' AS report_event_id, r.event_id IS NOT NULL AND row_number() OVER (
        PARTITION BY t.subject_id, t.payload->>'report_event_id' ORDER BY t.n) = 1 AS closes
    FROM told t
    LEFT JOIN received r ON r.subject_id = t.subject_id AND r.event_id = (t.payload->>'report_event_id')::uuid
    WHERE t.kind = 'report.closed'
), still_open AS MATERIALIZED (
    SELECT * FROM received r WHERE NOT EXISTS (
        SELECT FROM closings c WHERE c.subject_id = r.subject_id AND c.report_event_id::uuid = r.event_id
    )
), reports AS (
    SELECT subject_id, jsonb_object_agg(event_id, jsonb_build_array(kind, {at("occurred_at")})) AS reports
    FROM still_open GROUP BY subject_id
), early AS (
    SELECT subject_id, jsonb_agg(report_event_id ORDER BY n) AS closed_before_received
    FROM closings WHERE NOT closes GROUP BY subject_id
), words AS (
    SELECT subject_id, jsonb_object_agg(
        (payload->>'kind') || '/' || (payload->>'first_day'), {at("occurred_at")} ORDER BY n
    ) AS acknowledged
    FROM told WHERE kind = 'alert.acknowledged' GROUP BY subject_id
), found AS MATERIALIZED (
    SELECT subject_id, 'installed_twice' AS code, event_id, occurred_at FROM told WHERE kind = 'again'
    UNION ALL
    SELECT subject_id, kind, event_id, occurred_at FROM told WHERE kind IN {_OPENED_AGAIN}
    UNION ALL
    SELECT t.subject_id, CASE WHEN t.n > s.life THEN 'touched_after_withdrawal' ELSE 'serviced_before_installed' END,
        t.event_id, t.occurred_at
    FROM told t
    LEFT JOIN (SELECT subject_id, min(life) AS life FROM spells GROUP BY subject_id) s ON s.subject_id = t.subject_id
    WHERE t.life IS NULL AND t.kind NOT IN {_ANYTIME} AND t.kind NOT IN {_OPENED_AGAIN}
    UNION ALL
    SELECT subject_id, 'more_left_than_filled', event_id, occurred_at FROM balances
    WHERE is_more
    UNION ALL
    SELECT subject_id, 'level_contradicts', event_id, occurred_at FROM contradicted
    UNION ALL
    SELECT subject_id, 'clock_ahead', event_id, occurred_at FROM numbered WHERE is_ahead AND stands
), findings AS (
    SELECT subject_id, jsonb_agg(
        jsonb_build_array(code, event_id, {at("occurred_at")}) ORDER BY occurred_at, event_id, code COLLATE "C"
    ) AS findings
    FROM found GROUP BY subject_id
)
"""
