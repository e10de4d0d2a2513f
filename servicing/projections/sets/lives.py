"""The parts that say which events count, to which life of a unit they belong, and which is the last of each kind."""

from __future__ import annotations

from servicing.projections.sets.expressions import ml
from servicing.rules.fold import AHEAD_TOLERANCE

_AHEAD_MINUTES = int(AHEAD_TOLERANCE.total_seconds()) // 60
_CANONICAL = "occurred_at, device_id, device_sequence, event_id"

# A unit's events in canonical order are numbered through all units (n); a life is known by the n of its install or opening.
LIVES_SQL = f"""
numbered AS MATERIALIZED (
    SELECT subject_id, {_CANONICAL}, type, payload, row_number() OVER (ORDER BY subject_id, {_CANONICAL}) AS n,
        event_id <> ALL(%(superseded)s::uuid[]) AS stands, occurred_at > received_at + interval '{_AHEAD_MINUTES} minutes' AS is_ahead
    FROM public.servicing_event
    WHERE operator_id = %(operator)s AND subject_kind = 'unit' AND position <= %(upto)s
        AND subject_id <> ALL(%(left)s::uuid[])
), turns AS (
    SELECT subject_id, n, type, type <> 'unit.withdrawn' AS is_install,
        coalesce(lag(type) OVER (PARTITION BY subject_id ORDER BY n) <> 'unit.withdrawn', false) AS is_installed
    FROM (
        SELECT subject_id, n, type, min(n) FILTER (WHERE type <> 'unit.withdrawn') OVER (PARTITION BY subject_id) AS first_n
        FROM numbered WHERE stands AND NOT is_ahead AND type IN ('unit.installed', 'unit.opened', 'unit.withdrawn')
    ) edges WHERE type <> 'unit.opened' OR n = first_n
), spells AS MATERIALIZED (
    SELECT * FROM (
        SELECT subject_id, n AS life, is_install, type = 'unit.opened' AS is_opened, lead(n) OVER (PARTITION BY subject_id ORDER BY n) AS withdrawn_n
        FROM turns WHERE is_install <> is_installed
    ) edges WHERE is_install
), told AS MATERIALIZED (
    SELECT t.n, t.subject_id, {", ".join(f"t.{name}" for name in _CANONICAL.split(", "))}, t.payload, s.life,
        CASE WHEN type = 'unit.installed' AND t.n <> s.life THEN 'again'
            WHEN type = 'unit.opened' AND t.n IS DISTINCT FROM s.life
                THEN CASE WHEN s.is_opened THEN 'opened_twice' ELSE 'opened_after_installed' END
            WHEN type = 'outlet.cleared' AND payload->>'drips_again' = 'true' THEN 'dripping'
            ELSE type END AS kind
    FROM numbered t
    LEFT JOIN spells s ON s.subject_id = t.subject_id AND t.n >= s.life AND (s.withdrawn_n IS NULL OR t.n <= s.withdrawn_n)
    WHERE t.stands AND NOT t.is_ahead AND t.type <> 'event.countered'
), units AS MATERIALIZED (
    SELECT u.subject_id AS unit_id, u.last_n, s.life
    FROM (
        SELECT subject_id, max(n) FILTER (WHERE stands AND NOT is_ahead AND type <> 'event.countered') AS last_n
        FROM numbered GROUP BY subject_id
    ) u
    LEFT JOIN (SELECT subject_id, max(life) AS life FROM spells GROUP BY subject_id) s ON s.subject_id = u.subject_id
), cleanings AS MATERIALIZED (
    SELECT life, n, coalesce({ml("wiped_out_ml")}, 0) AS wiped_ml FROM told WHERE life IS NOT NULL AND kind = 'reservoir.cleaned'
), latest AS MATERIALIZED (
    SELECT life, kind, max(n) AS n, max(occurred_at) AS at FROM told WHERE life IS NOT NULL GROUP BY life, kind
), lives AS MATERIALIZED (
    SELECT u.unit_id, u.life, u.last_n,
        max(l.at) FILTER (WHERE kind = 'unit.withdrawn') AS withdrawn_at,
        max(l.n) FILTER (WHERE kind IN ('unit.installed', 'unit.opened', 'again', 'unit.moved')) AS station_n,
        max(l.n) FILTER (WHERE kind IN ('unit.installed', 'unit.opened', 'cartridge.exchanged')) AS charge_n,
        max(l.n) FILTER (WHERE kind = 'cartridge.exchanged') AS exchange_n,
        max(l.at) FILTER (WHERE kind = 'cartridge.exchanged') AS exchange_at,
        max(l.n) FILTER (WHERE kind IN ('unit.installed', 'unit.opened', 'cartridge.exchanged', 'level.read')) AS level_n,
        max(l.n) FILTER (WHERE kind = 'wick.checked') AS check_n,
        max(l.n) FILTER (WHERE kind IN ('wick.changed', 'wick.washed')) AS refresh_n,
        max(l.n) FILTER (WHERE kind = 'wick.washed') AS wash_n,
        max(l.at) FILTER (WHERE kind = 'wick.washed') AS wash_at,
        max(l.n) FILTER (WHERE kind = 'wick.changed') AS change_n,
        max(l.at) FILTER (WHERE kind = 'wick.changed') AS change_at,
        max(l.n) FILTER (WHERE kind = 'dose.set') AS dose_n,
        max(l.at) FILTER (WHERE kind = 'reservoir.cleaned') AS cleaned_at,
        max(l.at) FILTER (WHERE kind IN ('outlet.cleared', 'dripping')) AS cleared_at,
        max(l.n) FILTER (WHERE kind = 'dripping') AS dripping_n,
        max(l.n) FILTER (WHERE kind = 'leak.stopped') AS leak_n
    FROM units u LEFT JOIN latest l ON l.life = u.life
    GROUP BY u.unit_id, u.life, u.last_n
), chosen AS MATERIALIZED (
    SELECT * FROM told WHERE n IN (
        SELECT unnest(ARRAY[life, last_n, station_n, charge_n, level_n, check_n, dose_n]) FROM lives
    )
), wiped AS (
    SELECT l.life, sum(c.wiped_ml) AS since_level_ml
    FROM lives l JOIN cleanings c ON c.life = l.life AND c.n > l.level_n GROUP BY l.life
)
"""
