"""An operator with thousands of units and hundreds of sites past grace, written set-based: the rows that its log would give."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import orjson
import psycopg

from servicing.commands.sweeps import sweep
from tests.benchmarks.forecast.histories import histories
from tests.benchmarks.rounds import SEED
from tests.cast import Cast, new_cast

KINDS = 40


@dataclass(frozen=True, slots=True)
class Size:
    """So many sites with so many units each; ``late`` of them past grace, ``in_grace`` in grace."""

    sites: int
    units: int
    late: int
    in_grace: int


# Ids are made of what they name, so that every statement can tell them without looking them up. Days are counted from
# the cast's Monday, 15 June 2026: site n is past grace up to %(late)s, then in grace, and from then on ahead; every
# hundredth stands still.
_FILL = """
CREATE FUNCTION pg_temp.made(what text, n bigint) RETURNS uuid IMMUTABLE LANGUAGE sql
RETURN md5(%(operator)s::text || what || n)::uuid;
CREATE TEMP TABLE made_site ON COMMIT DROP AS
SELECT n, pg_temp.made('site', n) AS id,
    CASE WHEN mod(n, 100) = 0 THEN NULL WHEN n <= %(late)s THEN date '2026-06-11' - mod(n, 30)
        WHEN n <= %(late)s + %(in_grace)s THEN date '2026-06-15' + mod(n, 5) ELSE date '2026-06-21' + mod(n, 20) END AS due_on
FROM generate_series(1, %(sites)s::int) n;
CREATE TEMP TABLE made_unit ON COMMIT DROP AS
SELECT n, pg_temp.made('unit', n) AS id, mod(n, %(sites)s) + 1 AS site FROM generate_series(1, %(sites)s * %(units)s::int) n;
INSERT INTO accounts_crew (operator_id, id, name, is_active)
SELECT %(operator)s, pg_temp.made('crew', n), 'Crew ' || chr(65 + n::int), true FROM generate_series(1, 9) n;
INSERT INTO accounts_site (operator_id, id, customer_id, code, name, kind, address, area, zone, dust, crew_id, latitude,
    longitude)
SELECT %(operator)s, id, %(customer)s, 'B' || n, 'Weir Hall ' || n, 'office', n || ' Weir Lane', 'Reach ' || mod(n, 14),
    'Europe/Berlin', 'normal', CASE WHEN mod(n, 10) > 0 THEN pg_temp.made('crew', mod(n, 10)) END,
    52 + 0.02 * mod(n, 14) + 0.0011 * mod(n * 7, 31), 13 + 0.03 * mod(n, 14) - 0.0013 * mod(n * 11, 43)
FROM made_site;
INSERT INTO fleet_unit (operator_id, id, code, unit_model_id, printed_at)
SELECT %(operator)s, id, left(upper(translate(md5(%(operator)s::text || n), 'iloua', '01234')), 9), %(model)s,
    timestamptz '2025-01-01'
FROM made_unit;
INSERT INTO servicing_unitstate (operator_id, unit_id, site_id, status, last_exchange_at, history)
SELECT %(operator)s, u.id, s.id, CASE WHEN mod(u.n, 97) = 0 THEN 'down' WHEN mod(u.n, 503) = 0 THEN 'degraded' ELSE 'up' END,
    timestamptz '2026-05-01', history || jsonb_build_object('open_faults',
        CASE WHEN mod(u.n, 97) = 0 THEN '{"PLU": "2026-06-08T09:00:00.000000Z"}'::jsonb
            WHEN mod(u.n, 503) = 0 THEN '{"ELU": "2026-06-12T09:00:00.000000Z"}'::jsonb ELSE '{}'::jsonb END)
FROM made_unit u JOIN made_site s ON s.n = u.site JOIN made_history h ON h.kind = mod(u.n, %(kinds)s);
INSERT INTO servicing_outlook (operator_id, unit_id, site_id, dry_on, dry_soon_from, wick_watch_from, drift_since_on)
SELECT %(operator)s, u.id, s.id, dry_on, dry_on - 3,
    date '2026-06-15' - mod(u.n, 90) + 80, CASE WHEN mod(u.n, 211) = 0 THEN date '2026-06-10' END
FROM made_unit u JOIN made_site s ON s.n = u.site, LATERAL (
    SELECT CASE WHEN s.n <= %(late)s AND mod(u.n, 7) < 2 THEN date '2026-06-16' - mod(u.n, 12)
        WHEN s.n <= %(late)s + %(in_grace)s AND mod(u.n, 7) = 3 THEN date '2026-06-16' + mod(u.n, 5)
        ELSE date '2026-06-25' + mod(u.n, 30) END::date AS dry_on) d;
INSERT INTO servicing_duesegment (operator_id, unit_id, site_id, zone, kind, starts_on, due_on, opens_on, past_grace_from,
    long_past_from, is_reopen)
SELECT %(operator)s, u.id, s.id, 'Europe/Berlin', CASE WHEN due_on IS NULL THEN 'standstill' ELSE 'due' END,
    date '2026-05-01', due_on, due_on - 5, due_on + 4, due_on + 18, false
FROM made_unit u JOIN made_site s ON s.n = u.site;
INSERT INTO servicing_duesegment (operator_id, unit_id, site_id, zone, kind, starts_on, ends_before, is_reopen)
SELECT %(operator)s, u.id, s.id, 'Europe/Berlin', 'standstill', date '2025-07-01', date '2025-09-01', false
FROM made_unit u JOIN made_site s ON s.n = u.site WHERE mod(s.n, 5) = 0;
INSERT INTO servicing_visit (operator_id, id, site_id, crew_id, day, occurred_at, outcome, reason, minutes, units)
SELECT %(operator)s, pg_temp.made('visit', s.n * 100 + m), s.id, pg_temp.made('crew', mod(s.n, 9) + 1), day,
    day + time '10:00', CASE WHEN mod(s.n + m, 41) = 0 THEN 'not_admitted' ELSE 'served' END,
    CASE WHEN mod(s.n + m, 41) = 0 THEN 'closed' ELSE '' END, 40, %(units)s
FROM made_site s, generate_series(1, 24) m, LATERAL (SELECT date '2026-06-10' - 30 * m + mod(s.n, 9)::int AS day) d;
INSERT INTO servicing_report (operator_id, event_id, site_id, kind, received_at)
SELECT %(operator)s, pg_temp.made('report', n), id, (ARRAY['odour', 'leak', 'empty', 'chemical'])[mod(n, 4) + 1],
    timestamptz '2026-06-13'
FROM made_site WHERE mod(n, 67) = 0;
INSERT INTO servicing_plannedvisit (operator_id, id, site_id, crew_id, day, begins_at, minutes, made_at, called_off_reason)
SELECT %(operator)s, pg_temp.made('plan', n), id, pg_temp.made('crew', mod(n, 9) + 1),
    date '2026-06-15' + (n / 72)::int, time '08:00' + mod(n / 9, 8) * interval '55 minutes', 40, timestamptz '2026-06-14', ''
FROM made_site WHERE n <= 360;
INSERT INTO servicing_sitenote (operator_id, id, site_id, text, written_at)
SELECT %(operator)s, pg_temp.made('note', n), id, 'The key hangs at the desk until ten.', timestamptz '2026-06-14'
FROM made_site WHERE mod(n, 9) = 0;
"""


def fill(superuser: psycopg.Connection[Any], cast: Cast, size: Size) -> None:
    """Give a cast these sites and units besides its own, and sweep."""
    draw = np.random.default_rng(SEED)
    values = {
        "operator": cast.operator.id,
        "customer": cast.customer.id,
        "model": cast.unit.unit_model_id,
        "kinds": KINDS,
        "sites": size.sites,
        "units": size.units,
        "late": size.late,
        "in_grace": size.in_grace,
    }
    with psycopg.ClientCursor(superuser) as cursor, superuser.transaction():
        cursor.execute("SET LOCAL session_replication_role = replica")  # the keys are right by construction
        cursor.execute("CREATE TEMP TABLE made_history (kind int, history jsonb) ON COMMIT DROP")
        with cursor.copy("COPY made_history FROM STDIN") as into:
            for kind, history in enumerate(histories(draw, KINDS)):
                into.write_row((kind, orjson.dumps(history).decode()))
        cursor.execute(_FILL, values)
        cursor.execute("DROP FUNCTION pg_temp.made(text, bigint)")
    sweep(actor=cast.dispatcher)


def new_world(superuser: psycopg.Connection[Any], slug: str, size: Size) -> Cast:
    cast = new_cast(slug)
    fill(superuser, cast, size)
    return cast
