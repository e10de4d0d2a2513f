"""The parts that put all of it together: a unit's row and its history, field by field as the fold has them."""

from __future__ import annotations

from servicing.projections.sets.expressions import at, epoch_s, moment

# What an opening says of its unit (i) stands where the log has nothing later; other installs say none of it.
_EXCHANGED = f"coalesce(l.exchange_at, {moment('i', 'last_exchange_on')})"
_CLEANED = f"coalesce(l.cleaned_at, {moment('i', 'reservoir_cleaned_on')})"
_CHARGED = f"""CASE WHEN c.kind <> 'unit.opened' THEN c.occurred_at
    WHEN c.payload->>'charge_ml' IS NOT NULL THEN {moment("c", "last_exchange_on")} END"""
_LEVEL = f"""CASE v.kind WHEN 'level.read' THEN (v.payload->>'cartridge_left_ml')::integer + (v.payload->>'reservoir_ml')::integer
    WHEN 'unit.opened' THEN coalesce((v.payload->>'left_ml')::integer,
        CASE WHEN {moment("v", "last_exchange_on")} IS NOT NULL THEN (v.payload->>'charge_ml')::integer END)
    ELSE (v.payload->>'charge_ml')::integer + coalesce((v.payload->>'reservoir_after_ml')::integer, 0) END"""
_LEVEL_AT = f"""CASE WHEN v.kind <> 'unit.opened' OR v.payload->>'left_ml' IS NOT NULL THEN v.occurred_at
    WHEN v.payload->>'charge_ml' IS NOT NULL THEN {moment("v", "last_exchange_on")} END"""
_FITTED = f"""coalesce(l.change_at, CASE WHEN i.payload->>'wick' = 'new' THEN i.occurred_at
    ELSE {moment("i", "wick_fitted_on")} END)"""

STATES_SQL = f"""
states AS MATERIALIZED (
    SELECT l.unit_id,
        l.life IS NOT NULL AND l.withdrawn_at IS NULL AS is_installed,
        CASE WHEN l.life IS NULL THEN 'printed' WHEN l.withdrawn_at IS NOT NULL THEN 'withdrawn' WHEN f.is_down THEN 'down'
            WHEN f.life IS NOT NULL THEN 'degraded' ELSE 'up' END AS status,
        {_EXCHANGED} AS exchange_at,
        (s.payload->>'station_id')::uuid AS station_id,
        jsonb_build_object(
            'station_id', s.payload->'station_id',
            'installed_at', {at("i.occurred_at")},
            'withdrawn_at', {at("l.withdrawn_at")},
            'ever_installed', l.life IS NOT NULL,
            'opened_at', CASE i.kind WHEN 'unit.opened' THEN {at("i.occurred_at")} END,
            'said_installed_on', i.payload->'installed_on',
            'cartridge_id', c.payload->'cartridge_id',
            'charge_ml', c.payload->'charge_ml',
            'charged_at', {at(_CHARGED)},
            'reservoir_after_ml', CASE WHEN l.exchange_n IS NOT NULL THEN coalesce((c.payload->>'reservoir_after_ml')::integer, 0) ELSE 0 END,
            'wiped_out_ml', coalesce(h.wiped_ml, 0),
            'is_cleaned', coalesce(h.is_cleaned, false),
            'marks', coalesce(h.marks, ''),
            'last_exchange_at', {at(_EXCHANGED)},
            'level_ml', CASE WHEN {_LEVEL} IS NOT NULL THEN greatest(0, {_LEVEL} - coalesce(y.since_level_ml, 0)) END
        ) || jsonb_build_object(
            'level_at', {at(_LEVEL_AT)},
            'left_at_exchange_ml', c.payload->'cartridge_left_ml',
            'intervals', coalesce(b.intervals, '[]'),
            'set_dose_ml_per_day', coalesce(d.payload->'dose_ml_per_day', i.payload->'dose_ml_per_day'),
            'wick_since', {at(_FITTED)},
            'wick_entered_at', CASE WHEN l.change_at IS NULL AND i.payload->>'wick_fitted_on' IS NOT NULL
                THEN {at("i.occurred_at")} END,
            'wick_condition', CASE WHEN l.check_n > coalesce(l.refresh_n, 0) THEN k.payload->'condition'
                WHEN l.check_n IS NULL AND l.refresh_n IS NULL THEN i.payload->'wick_condition' END,
            'wick_checked_at', coalesce({at("k.occurred_at")},
                CASE WHEN i.payload->>'wick_condition' IS NOT NULL THEN {at("i.occurred_at")} END),
            'wick_good_s', {epoch_s("coalesce(x.good_at, x.birth_at)")},
            'wick_failed_s', {epoch_s("x.failed_at")},
            'wick_lives', coalesce(q.lives, '[]'),
            'wick_washed_at', CASE WHEN l.wash_n > coalesce(l.change_n, 0) THEN {at("l.wash_at")} END,
            'reservoir_cleaned_at', {at(_CLEANED)},
            'outlet_cleared_at', {at("l.cleared_at")},
            'open_faults', coalesce(f.open_faults, '{{}}'),
            'reports', coalesce(r.reports, '{{}}'),
            'closed_before_received', coalesce(e.closed_before_received, '[]'),
            'acknowledged', coalesce(w.acknowledged, '{{}}'),
            'findings', coalesce(g.findings, '[]'),
            'last_key', CASE WHEN z.n IS NOT NULL
                THEN jsonb_build_array({at("z.occurred_at")}, z.device_id, z.device_sequence, z.event_id) END
        ) AS history
    FROM lives l
    LEFT JOIN chosen i ON i.n = l.life
    LEFT JOIN chosen s ON s.n = l.station_n
    LEFT JOIN chosen c ON c.n = l.charge_n
    LEFT JOIN chosen v ON v.n = l.level_n
    LEFT JOIN chosen k ON k.n = l.check_n
    LEFT JOIN chosen d ON d.n = l.dose_n
    LEFT JOIN chosen z ON z.n = l.last_n
    LEFT JOIN wiped y ON y.life = l.life
    LEFT JOIN periods h ON h.charge_n = l.charge_n
    LEFT JOIN wicks x ON x.n = greatest(l.life, l.change_n)
    LEFT JOIN wick_lives q ON q.subject_id = l.unit_id
    LEFT JOIN intervals b ON b.life = l.life
    LEFT JOIN faults f ON f.life = l.life
    LEFT JOIN reports r ON r.subject_id = l.unit_id
    LEFT JOIN early e ON e.subject_id = l.unit_id
    LEFT JOIN words w ON w.subject_id = l.unit_id
    LEFT JOIN findings g ON g.subject_id = l.unit_id
), placed AS MATERIALIZED (
    SELECT u.*, m.site_id
    FROM states u
    LEFT JOIN fleet_station p ON p.operator_id = %(operator)s AND p.id = u.station_id
    LEFT JOIN fleet_restroom m ON m.operator_id = %(operator)s AND m.id = p.restroom_id
)
"""
