"""The parts that balance what went in against what was left, from charge to charge."""

from __future__ import annotations

from servicing.projections.sets.expressions import epoch_s, ml, moment
from servicing.rules.balance import FAULT_MARKS, KEPT_INTERVALS, LEAST_FROM_A_DAY_S, MARKS

FITTINGS = "('unit.installed', 'unit.opened', 'wick.changed')"
_CHARGES = "('unit.installed', 'unit.opened', 'cartridge.exchanged')"
_NUMBERS = "".join(str(place) for place in range(len(MARKS)))


def _number(mark: str) -> str:
    """A mark by its place, so that numbers in order are marks in theirs."""
    return f"'{MARKS.index(mark)}'"


_OF_FAULTS = " ".join(f"WHEN '{mode}' THEN {_number(mark)}" for mode, mark in FAULT_MARKS.items())
_MARK = f"""CASE kind WHEN 'wick.changed' THEN {_number("w")} WHEN 'dose.set' THEN {_number("d")}
    WHEN 'outlet.cleared' THEN {_number("o")} WHEN 'dripping' THEN {_number("o")} WHEN 'leak.stopped' THEN {_number("l")}
    WHEN 'wick.checked' THEN CASE payload->>'condition' WHEN 'failed' THEN {_number("w")} END
    WHEN 'unit.opened' THEN CASE payload->>'wick_condition' WHEN 'failed' THEN {_number("w")} END
    WHEN 'fault.found' THEN CASE payload->>'mode' {_OF_FAULTS} END END"""

# Each event with the n of the charge, the cleaning and the fitting of a wick that were the last before it. A period is
# known by its charge; what an opening says of the wick belongs to the period that it begins.
BALANCES_SQL = f"""
told_since AS MATERIALIZED (
    SELECT subject_id, life, n, kind, event_id, occurred_at, payload,
        coalesce(max(n) FILTER (WHERE kind IN {_CHARGES}) OVER before, CASE kind WHEN 'unit.opened' THEN n END) AS charge_n,
        max(n) FILTER (WHERE kind = 'reservoir.cleaned') OVER before AS cleaned_n,
        max(n) FILTER (WHERE kind IN {FITTINGS}) OVER before AS wick_n,
        {_MARK} AS mark
    FROM told
    WHERE life IS NOT NULL AND kind IN ('unit.installed', 'unit.opened', 'unit.withdrawn', 'cartridge.exchanged', 'dose.set', 'dripping',
        'fault.found', 'leak.stopped', 'level.read', 'outlet.cleared', 'reservoir.cleaned', 'wick.changed', 'wick.checked',
        'wick.washed')
    WINDOW before AS (PARTITION BY life ORDER BY n ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING)
), periods AS MATERIALIZED (
    SELECT charge_n, coalesce(sum({ml("wiped_out_ml")}) FILTER (WHERE kind = 'reservoir.cleaned'), 0) AS wiped_ml,
        bool_or(kind = 'reservoir.cleaned') AS is_cleaned,
        translate(coalesce(string_agg(DISTINCT mark, '' ORDER BY mark), ''), '{_NUMBERS}', '{MARKS}') AS marks
    FROM told_since WHERE charge_n IS NOT NULL AND (kind = 'reservoir.cleaned' OR mark IS NOT NULL) GROUP BY charge_n
), charges AS (
    SELECT subject_id, life, n, kind, event_id, occurred_at, charge_n, {ml("cartridge_left_ml")} AS left_ml,
        {ml("reservoir_before_ml")} AS before_ml, lag(CASE kind WHEN 'unit.opened' THEN {moment("c", "last_exchange_on")} ELSE occurred_at END) OVER w AS since,
        max(CASE kind WHEN 'unit.opened' THEN occurred_at END) OVER w AS opened_at,
        lag({ml("charge_ml")}) OVER w AS charge_ml, lag(coalesce({ml("reservoir_after_ml")}, 0)) OVER w AS reservoir_ml
    FROM told_since c WHERE kind IN {_CHARGES}
    WINDOW w AS (PARTITION BY life ORDER BY n)
), balances AS MATERIALIZED (
    SELECT subject_id, life, c.n, event_id, occurred_at, since, opened_at, charge_ml + reservoir_ml AS available_ml, left_ml, before_ml,
        coalesce(p.wiped_ml, 0) AS wiped_ml, coalesce(p.marks, '') AS marks, coalesce(left_ml > charge_ml
            OR left_ml + before_ml + coalesce(p.wiped_ml, 0) > charge_ml + reservoir_ml, false) AS is_more
    FROM charges c LEFT JOIN periods p ON p.charge_n = c.charge_n
    WHERE kind = 'cartridge.exchanged'
), spans AS (
    SELECT b.*, lead(b.n, {KEPT_INTERVALS}) OVER (PARTITION BY b.life ORDER BY b.n) AS later_n
    FROM balances b JOIN lives l ON l.life = b.life
    WHERE b.occurred_at >= b.since + make_interval(secs => CASE WHEN b.since <= b.opened_at THEN {LEAST_FROM_A_DAY_S} ELSE 1 END)
        AND b.n > coalesce(l.dose_n, 0) AND b.available_ml IS NOT NULL
), intervals AS (
    SELECT life, jsonb_agg(jsonb_build_array(
        {epoch_s("occurred_at")}, {epoch_s("occurred_at - since")}, available_ml, CASE WHEN NOT is_more THEN left_ml END,
        CASE WHEN NOT is_more THEN before_ml END, wiped_ml, marks
    ) ORDER BY n) AS intervals
    FROM spans WHERE later_n IS NULL GROUP BY life
), contradicted AS (
    SELECT subject_id, event_id, occurred_at FROM told_since
    WHERE {ml("cartridge_left_ml")} > 0 AND coalesce(cleaned_n < charge_n, true)
        AND CASE kind WHEN 'level.read' THEN {ml("reservoir_ml")} WHEN 'cartridge.exchanged' THEN {ml("reservoir_before_ml")} END = 0
)
"""
