"""Databases of many operators with their units, written set-based: the rows that their logs would give on the first day.

Operators are of very different sizes, about five thousand units in the mean, whatever the world's: what an operator
costs besides its units weighs the same in every world. A unit is due on some day of a month; each night of the
benchmark another thirtieth of the units has been served, and what was forecast of them has moved.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import partial
from typing import Any
from uuid import UUID

import numpy as np
import orjson
import psycopg
from django.db import connections

from config import embedded
from tests.benchmarks.forecast.histories import histories
from tests.benchmarks.rounds import SEED

NIGHT = datetime(2026, 11, 24, 3, 0, tzinfo=UTC)
FIRST_DAY = NIGHT.date()
MEAN_UNITS, LEAST_UNITS, MOST_UNITS = 5_000, 500, 50_000
UNITS_A_SITE, VISITS_A_SITE, MONTH = 8, 6, 30
KINDS = 60


@dataclass(frozen=True, slots=True)
class World:
    """A database; ``operators`` by size, the smallest first, each with its units."""

    database: str
    url: str
    units: int
    operators: dict[UUID, int]


def sizes_of(units: int) -> list[int]:
    """Units of each operator, together ``units``: from about 500 to about 50,000, most of them small."""
    number = units // MEAN_UNITS
    place = (np.arange(number) + 0.5) / number

    def sizes(power: float) -> Any:
        return np.rint(LEAST_UNITS * (MOST_UNITS / LEAST_UNITS) ** (place**power)).astype(int)

    low, high = 0.01, 100.0
    while high - low > 1e-9:
        middle = (low + high) / 2
        low, high = (middle, high) if sizes(middle).sum() > units else (low, middle)
    found = sizes(high)
    found[-1] += units - found.sum()
    return [int(one) for one in found]


# Ids are made of what they name, so that no statement has to look them up, and grow in the order of making, as those of
# the product do: what was registered together lies together. A site's due day falls on any day of the
# month from four days before the first, a few are a month late; some sites stand still, some have no agreement any more, and some did stand still a year ago.
_FILL = """
CREATE FUNCTION pg_temp.made(o uuid, what text, n bigint) RETURNS uuid IMMUTABLE LANGUAGE sql
RETURN (substr(md5(o::text || what), 1, 16) || lpad(to_hex(n), 16, '0'))::uuid;
INSERT INTO accounts_operator (id, slug, name, legal_name, currency, minor_units, zone, locale)
SELECT o, 'scale-' || j, 'Scale ' || j, 'Scale ' || j, 'EUR', 2, zone, 'en-GB' FROM bench_operator;
INSERT INTO accounts_customer (operator_id, id, code, name, billing_email, address, country)
SELECT o, pg_temp.made(o, 'customer', 1), 'C1', 'Quay Schools', '', '', 'DE' FROM bench_operator;
INSERT INTO accounts_crew (operator_id, id, name, is_active)
SELECT o, pg_temp.made(o, 'crew', n), 'Crew ' || n, true FROM bench_operator, generate_series(1, 1 + units / 1000) n;
CREATE TEMP TABLE bench_site ON COMMIT DROP AS
SELECT o, zone, n, pg_temp.made(o, 'site', n) AS id, 1 + units / 1000 AS crews,
    CASE WHEN mod(n, 50) = 49 THEN 'standstill' WHEN mod(n, 50) = 48 THEN 'ended' ELSE 'due' END AS kind,
    date '{first}' - 4 + mod(n * 7 + n / {month}, {month})::int
        - CASE WHEN mod(n, 45) = 7 THEN {month} ELSE 0 END AS due_on
FROM bench_operator, generate_series(1, (units + {a_site} - 1) / {a_site}) n;
ANALYZE bench_site;
INSERT INTO accounts_site (operator_id, id, customer_id, code, name, kind, address, area, zone, hardness_mg_per_l, dust,
    crew_id, latitude, longitude)
SELECT o, id, pg_temp.made(o, 'customer', 1), 'S' || n, 'Weir Hall ' || n,
    (ARRAY['school', 'office', 'hotel', 'transit'])[mod(n, 4) + 1], n || ' Weir Lane', 'Reach ' || mod(n, 14), zone,
    60 * mod(n, 5), 'normal', CASE WHEN mod(n, 12) > 0 THEN pg_temp.made(o, 'crew', mod(n, crews) + 1) END,
    52 + 0.02 * mod(n, 14) + 0.0011 * mod(n * 7, 31), 13 + 0.03 * mod(n, 14) - 0.0013 * mod(n * 11, 43)
FROM bench_site;
INSERT INTO accounts_serviceagreement
    (operator_id, id, site_id, number, interval_months, grace_before_days, grace_after_days, anchor_on, starts_on, ends_on)
SELECT o, pg_temp.made(o, 'agreement', n), id, 'A' || n, 1, 5, 3, due_on - 365, date '2025-01-01',
    CASE WHEN kind = 'ended' THEN date '{first}' - 40 END
FROM bench_site;
INSERT INTO fleet_unitmodel (operator_id, id, name, reservoir_ml)
SELECT o, pg_temp.made(o, 'model', 1), 'Wall unit', 40 FROM bench_operator;
CREATE TEMP TABLE bench_unit ON COMMIT DROP AS
SELECT s.o, s.zone, s.id AS site, s.kind, s.due_on, u.n, pg_temp.made(s.o, 'unit', u.n) AS id,
    hashint8(u.n * 31) & 65535 AS draw
FROM bench_operator b
CROSS JOIN LATERAL generate_series(1, b.units) AS u (n)
JOIN bench_site s ON s.o = b.o AND s.n = (u.n - 1) / {a_site} + 1;
ANALYZE bench_unit;
INSERT INTO fleet_unit (operator_id, id, code, unit_model_id, printed_at)
SELECT o, id, lpad(n::text, 9, '0'), pg_temp.made(o, 'model', 1), timestamptz '2024-12-01' FROM bench_unit;
INSERT INTO servicing_unitstate (operator_id, unit_id, site_id, status, last_exchange_at, history)
SELECT o, id, site, CASE WHEN mod(draw, 97) = 0 THEN 'down' WHEN mod(draw, 503) = 0 THEN 'degraded' ELSE 'up' END,
    (due_on - {month})::timestamptz, history || jsonb_build_object(
        'open_faults', CASE WHEN mod(draw, 97) = 0
                THEN jsonb_build_object('PLU', to_char(date '{first}' - 1 - mod(n, 9)::int, 'YYYY-MM-DD"T"09:00:00.000000Z'))
            WHEN mod(draw, 503) = 0 THEN '{{"ELU": "2026-11-20T09:00:00.000000Z"}}'::jsonb ELSE '{{}}'::jsonb END,
        'acknowledged', CASE WHEN kind = 'due' AND mod(draw, 13) = 0
            THEN jsonb_build_object('past_grace/' || due_on + 4, '2026-11-20T09:00:00.000000Z') ELSE '{{}}'::jsonb END)
FROM bench_unit JOIN bench_history ON bench_history.kind_of = mod(draw, {kinds});
INSERT INTO servicing_outlook (operator_id, unit_id, site_id, dry_on, dry_soon_from, wick_watch_from, drift_since_on)
SELECT o, id, site, dry_on, dry_on - 3, date '{first}' - 40 + mod(draw, 420), CASE WHEN mod(draw, 211) = 0 THEN date '{first}' - 4 END
FROM bench_unit, LATERAL (SELECT due_on + 1 + mod(draw, 12) AS dry_on) d;
INSERT INTO servicing_duesegment (operator_id, unit_id, site_id, zone, kind, starts_on, due_on, opens_on, past_grace_from,
    long_past_from, is_reopen)
SELECT o, id, site, zone, kind, due_on - {month}, due_on, due_on - 5, due_on + 4, due_on + 18, false
FROM bench_unit WHERE kind = 'due';
INSERT INTO servicing_duesegment (operator_id, unit_id, site_id, zone, kind, starts_on, ends_before, is_reopen)
SELECT o, id, site, zone, 'standstill', date '{first}' - 20, date '{first}' + 20, false
FROM bench_unit WHERE kind = 'standstill';
INSERT INTO servicing_duesegment (operator_id, unit_id, site_id, zone, kind, starts_on, ends_before, is_reopen)
SELECT o, id, site, zone, 'standstill', date '{first}' - 400, date '{first}' - 340, false
FROM bench_unit WHERE mod(n / {a_site}, 5) = 0;
INSERT INTO servicing_visit (operator_id, id, site_id, crew_id, day, occurred_at, outcome, reason, minutes, units)
SELECT o, pg_temp.made(o, 'visit', n * 100 + m), id, pg_temp.made(o, 'crew', mod(n, crews) + 1), due_on - {month} * m::int,
    (due_on - {month} * m::int)::timestamptz + interval '10 hours',
    CASE WHEN mod(n + m, 41) = 0 THEN 'not_admitted' ELSE 'served' END,
    CASE WHEN mod(n + m, 41) = 0 THEN 'closed' ELSE '' END, 40, {a_site}
FROM bench_site, generate_series(1, {visits}) m;
INSERT INTO servicing_report (operator_id, event_id, site_id, kind, received_at)
SELECT o, pg_temp.made(o, 'report', n), id, (ARRAY['odour', 'leak', 'empty', 'chemical'])[mod(n, 4) + 1], timestamptz '{first}'
FROM bench_site WHERE mod(n, 67) = 0;
INSERT INTO servicing_plannedvisit (operator_id, id, site_id, crew_id, day, begins_at, minutes, made_at, called_off_reason)
SELECT o, pg_temp.made(o, 'plan', n), id, pg_temp.made(o, 'crew', mod(n, crews) + 1), greatest(due_on, date '{first}'),
    time '08:00' + mod(n, 8) * interval '55 minutes', 40, timestamptz '{first}', ''
FROM bench_site WHERE kind = 'due' AND due_on < date '{first}' + 7 AND mod(n, 3) = 0;
INSERT INTO servicing_sitenote (operator_id, id, site_id, text, written_at)
SELECT o, pg_temp.made(o, 'note', n), id, 'The key hangs at the desk until ten.', timestamptz '{first}'
FROM bench_site WHERE mod(n, 9) = 0;
"""
ZONES = [
    "Europe/Berlin",
    "America/New_York",
    "Asia/Kolkata",
    "Australia/Lord_Howe",
    "Pacific/Apia",
    "Europe/Lisbon",
]


def make_world(servers: embedded.Servers, name: str, units: int, template: str) -> World:
    """A copy of the prepared database with so many units, told to the planner, nothing swept yet."""
    began = time.monotonic()
    url = embedded.create_database(servers, name, template=template).superuser_url
    draw = np.random.default_rng(SEED)
    with psycopg.connect(url, autocommit=True) as superuser:
        superuser.execute("SET synchronous_commit = off")
        with psycopg.ClientCursor(superuser) as cursor, superuser.transaction():
            cursor.execute(
                "SET LOCAL session_replication_role = replica"
            )  # the keys are right by construction
            cursor.execute("CREATE TEMP TABLE bench_history (kind_of int, history jsonb) ON COMMIT DROP")
            cursor.execute(
                "CREATE TEMP TABLE bench_operator (j int, o uuid, zone text, units int) ON COMMIT DROP"
            )
            with cursor.copy("COPY bench_history FROM STDIN") as into:
                for kind, history in enumerate(histories(draw, KINDS)):
                    into.write_row((kind, orjson.dumps(history).decode()))
            with cursor.copy("COPY bench_operator FROM STDIN") as into:
                for j, number in enumerate(sizes_of(units)):
                    into.write_row((j, UUID(int=(j + 1) << 64), ZONES[j % len(ZONES)], number))
            cursor.execute("ANALYZE bench_operator")
            fill = partial(
                _FILL.format, first=FIRST_DAY, month=MONTH, a_site=UNITS_A_SITE, visits=VISITS_A_SITE
            )
            for statement in fill(kinds=KINDS).split(";\n"):
                cursor.execute(statement)
            cursor.execute("SELECT o, units FROM bench_operator ORDER BY units, j")
            operators: dict[UUID, int] = dict(cursor.fetchall())
        superuser.execute("VACUUM ANALYZE")
        superuser.execute("CHECKPOINT")
    print(
        f"bench: {name} has {units:,} units of {len(operators)}, after {time.monotonic() - began:.0f} s",
        file=sys.stderr,
    )
    return World(name, url, units, operators)


# What crews did on a day, as the folds leave it: a thirtieth of the units served, due again a month later. What is
# forecast of another part moves by a day, as a refit moves it.
_DAY = """
UPDATE servicing_duesegment s SET starts_on = %(day)s, due_on = due_on + {month}, opens_on = opens_on + {month},
    past_grace_from = past_grace_from + {month}, long_past_from = long_past_from + {month}
FROM fleet_unit u
WHERE u.operator_id = s.operator_id AND u.id = s.unit_id AND s.kind = 'due' AND s.due_on < %(day)s
  AND mod(u.code::int + (%(day)s - date '2026-01-01'), 3) = 0;
UPDATE servicing_outlook o SET dry_on = s.due_on + 5, dry_soon_from = s.due_on + 2, drift_since_on = NULL
FROM servicing_duesegment s
WHERE s.operator_id = o.operator_id AND s.unit_id = o.unit_id AND s.kind = 'due' AND s.starts_on = %(day)s;
UPDATE servicing_outlook o SET dry_soon_from = dry_soon_from + 1, drift_since_on = drift_since_on - 1
FROM fleet_unit u
WHERE u.operator_id = o.operator_id AND u.id = o.unit_id AND mod(u.code::int, {month}) = %(day)s - date '2026-01-01'
"""


def work_a_day(superuser: psycopg.Connection[Any], day: date) -> None:
    """What one day of work and one refit leave behind."""
    statements = _DAY.format(month=MONTH).split(";\n")
    for statement in statements:
        superuser.execute(statement, {"day": day})
    superuser.execute("VACUUM ANALYZE servicing_duesegment, servicing_outlook, servicing_alert")


def night(number: int) -> datetime:
    """The instant of a night's sweep, from 0."""
    return NIGHT + timedelta(days=number)


def use(database: str) -> None:
    """From now on the process asks this database."""
    for alias in ("default", "system"):
        connections[alias].close()
        connections[alias].settings_dict["NAME"] = database
