"""What stands in the end against what was meant and what was acknowledged: each thing once, and nothing else."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

import psycopg

from accounts import tenancy
from servicing.commands import rebuilds
from servicing.commands.seals import seal
from servicing.queries.lag import lag
from servicing.queries.verifying import verify
from tests.cast import Cast
from tests.drills.workers.chaos.writers import Books, Journal, Phone

Superuser = psycopg.Connection[Any]
# Of what is judged, what is no fault.
COUNTS = ("events", "payments", "charges", "messages", "repeated_hints")
WRONG = (
    "lost_events", "duplicate_events", "unknown_events", "altered_events", "lost_payments", "duplicate_payments",
    "not_journalled_once", "duplicate_messages", "undelivered", "not_told", "closes_but_one", "lines_twice",
    "charges_without_line", "numbers_left_out", "not_charged_once", "charged_twice", "duplicate_alerts", "log_faults",
    "events_behind", "folded_otherwise", "answered_otherwise", "work_not_done",
)  # fmt: skip
UNDONE = (
    "SELECT count(*) FROM accounts_job WHERE done_at IS NULL AND given_up_at IS NULL AND run_at <= %s "
    "AND kind <> 'servicing.tasks.sweep'"
)


UNTOLD = "SELECT count(*) FROM billing_webhookdelivery WHERE delivered_at IS NULL AND given_up_at IS NULL AND made_at <= %s"


def undone(superuser: Superuser, until: datetime) -> int:
    """Jobs that were due by then and are not done, and messages that were made by then and not delivered.

    Those put aside are among them, and those whose next attempt is put off.

    Of sweeps only the newest counts, which does all that was owed before: the older ones go with it.
    """
    due = _number(superuser, UNDONE, [until]) + _number(superuser, UNTOLD, [until])
    return due + _number(
        superuser,
        "SELECT count(*) FROM (SELECT bool_or(done_at IS NOT NULL) AS done FROM accounts_job WHERE run_at >= "
        "(SELECT max(run_at) FROM accounts_job WHERE kind = 'servicing.tasks.sweep' AND run_at <= %s) "
        "AND kind = 'servicing.tasks.sweep' GROUP BY operator_id) swept WHERE NOT done",
        [until],
    )


def quarantined(superuser: Superuser) -> list[tuple[str, str, str]]:
    return superuser.execute(
        "SELECT kind, dedup_key, last_error FROM accounts_job WHERE quarantined_at IS NOT NULL AND done_at IS NULL"
    ).fetchall()


def judged(
    superuser: Superuser, cast: Cast, phones: Sequence[Phone], books: Books, received: Iterable[str]
) -> dict[str, int]:
    """Of one operator: ``COUNTS``, and ``WRONG``, which are to be 0."""
    return {
        **_events(superuser, cast, [phone.journal for phone in phones]),
        **_payments(superuser, cast, books.journal),
        **_hints(superuser, cast, books.journal, received),
        **_closed(superuser, cast),
        **_alerts(superuser, cast),
        **_derived(cast),
        "answered_otherwise": books.repeated_otherwise,
    }


def _events(superuser: Superuser, cast: Cast, journals: Iterable[Journal]) -> dict[str, int]:
    meant: dict[str, Any] = {}
    acknowledged: set[str] = set()
    for journal in journals:
        for word, value in journal.lines():
            if word == "means":
                meant |= {event["id"]: event for event in value}
            else:
                acknowledged |= set(value)
    rows = superuser.execute(
        "SELECT event_id::text, device_id, device_sequence, type, payload, occurred_at FROM servicing_event "
        "WHERE operator_id = %s AND occurred_at >= '2026-05-01Z'",
        [cast.operator.id],
    ).fetchall()
    stored = {row[0]: row for row in rows}
    numbers = Counter((row[1], row[2]) for row in rows)
    return {
        "events": len(acknowledged),
        "lost_events": len(acknowledged - stored.keys()),
        "duplicate_events": len(rows) - len(stored) + sum(count - 1 for count in numbers.values()),
        "unknown_events": len(stored.keys() - meant.keys()),
        "altered_events": sum(
            not _same(meant[event_id], row) for event_id, row in stored.items() if event_id in meant
        ),
    }


def _same(meant: dict[str, Any], row: tuple[Any, ...]) -> bool:
    _id, _device, sequence, kind, payload, occurred_at = row
    told = payload if isinstance(payload, dict) else json.loads(payload)
    return (
        (meant["device_sequence"], meant["type"]) == (sequence, kind)
        and datetime.fromisoformat(meant["occurred_at"]) == occurred_at
        and all(told.get(name) == value for name, value in meant["payload"].items())
    )


def _payments(superuser: Superuser, cast: Cast, journal: Journal) -> dict[str, int]:
    acknowledged = {tuple(value) for word, value in journal.lines() if word == "acknowledged"}
    meant = {value for word, value in journal.lines() if word == "means"}
    rows = superuser.execute(
        "SELECT p.external_id, p.id::text, (SELECT count(*) FROM billing_journalentry e WHERE e.operator_id = p.operator_id "
        "AND e.payment_id = p.id) FROM billing_payment p WHERE p.operator_id = %s",
        [cast.operator.id],
    ).fetchall()
    names = Counter(row[0] for row in rows)
    return {
        "payments": len(acknowledged),
        "lost_payments": len(acknowledged - {row[:2] for row in rows}),
        "duplicate_payments": sum(count - 1 for count in names.values()) + len(names.keys() - meant),
        "not_journalled_once": sum(row[2] != 1 for row in rows),
    }


def _hints(superuser: Superuser, cast: Cast, journal: Journal, received: Iterable[str]) -> dict[str, int]:
    """Of each payment one message by one id, however often it went out."""
    got = Counter(received)
    rows = superuser.execute(
        "SELECT message_id, body::jsonb, delivered_at IS NOT NULL FROM billing_webhookdelivery WHERE operator_id = %s",
        [cast.operator.id],
    ).fetchall()
    told = Counter(
        (body["data"]["kind"], body["data"]["id"], body["data"]["version"]) for _id, body, _done in rows
    )
    payments = {value[1] for word, value in journal.lines() if word == "acknowledged"}
    return {
        "messages": len(rows),
        "repeated_hints": sum(got[row[0]] - 1 for row in rows if got[row[0]]),
        "duplicate_messages": sum(count - 1 for count in told.values()),
        "undelivered": sum(not row[2] or not got[row[0]] for row in rows),
        "not_told": len(payments - {one[1] for one in told if one[0] == "payment"}),
    }


def _closed(superuser: Superuser, cast: Cast) -> dict[str, int]:
    """One close of May; each exchange of that month on one line of one document, numbers from 1 without a gap."""
    closes, charges, on_lines, lines, documents, highest, exchanged, charged = (
        superuser.execute(
            """
        SELECT (SELECT count(*) FROM billing_periodclose WHERE operator_id = %(o)s AND month = '2026-05-01'),
            (SELECT count(*) FROM billing_charge WHERE operator_id = %(o)s),
            (SELECT count(DISTINCT charge_id) FROM billing_documentline WHERE operator_id = %(o)s),
            (SELECT count(charge_id) FROM billing_documentline WHERE operator_id = %(o)s),
            (SELECT count(*) FROM billing_document WHERE operator_id = %(o)s),
            (SELECT coalesce(max(ordinal), 0) FROM billing_document WHERE operator_id = %(o)s),
            (SELECT count(*) FROM servicing_event WHERE operator_id = %(o)s AND type = 'cartridge.exchanged'
                AND occurred_at >= '2026-05-01Z' AND occurred_at < '2026-05-31Z'),
            (SELECT count(DISTINCT event_id) FROM billing_charge WHERE operator_id = %(o)s AND event_id IS NOT NULL
                AND item_code = 'exchange')
        """,
            {"o": cast.operator.id},
        ).fetchone()
        or (0,) * 8
    )
    return {
        "charges": charges,
        "closes_but_one": abs(closes - 1),
        "lines_twice": lines - on_lines,
        "charges_without_line": charges - on_lines,
        "numbers_left_out": highest - documents,
        "not_charged_once": abs(exchanged - charged),
        "work_not_done": _number(
            superuser,
            "SELECT count(*) FROM accounts_longwork WHERE operator_id = %s AND outcome <> 'done'",
            [cast.operator.id],
        ),
        "charged_twice": _number(
            superuser,
            "SELECT count(*) FROM (SELECT FROM billing_charge WHERE operator_id = %s AND event_id IS NOT NULL "
            "GROUP BY event_id, item_code HAVING count(*) > 1) twice",
            [cast.operator.id],
        ),
    }


def _alerts(superuser: Superuser, cast: Cast) -> dict[str, int]:
    return {
        "duplicate_alerts": _number(
            superuser,
            "SELECT count(*) - count(DISTINCT (kind, unit_id, site_id, first_day)) FROM servicing_alert WHERE operator_id = %s",
            [cast.operator.id],
        )
    }


def _derived(cast: Cast) -> dict[str, int]:
    """The log holds against its seals, and what is folded is what a fold of all of it gives."""
    seal(actor=cast.owner, at_once=True)
    with tenancy.operator_scope(cast.operator.id):
        faults, behind = verify([]).faults, lag().events_behind
    return {
        "log_faults": len(faults),
        "events_behind": behind,
        "folded_otherwise": len(rebuilds.check(cast.operator.id)),
    }


def lags(superuser: Superuser, operators: Sequence[UUID], since: datetime) -> list[float]:
    """Of each job done, how long after it was due, in seconds and in order."""
    rows = superuser.execute(
        "SELECT extract(epoch FROM done_at - run_at)::float FROM accounts_job WHERE operator_id = ANY(%s) "
        "AND done_at IS NOT NULL AND run_at >= %s ORDER BY 1",
        [list(operators), since],
    ).fetchall()
    return [float(row[0]) for row in rows]


def _number(superuser: Superuser, statement: str, parameters: Sequence[Any]) -> int:
    row = superuser.execute(statement, parameters).fetchone()
    return int(row[0]) if row else 0
