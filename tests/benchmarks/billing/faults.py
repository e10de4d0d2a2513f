"""Two workers close one month at once, and a close is ended by signal 9 in the middle and begun again.

There must be one set of documents, and the same bytes as if nothing had happened: the digest over all documents is taken
before, from a close that was rolled back.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from typing import Any
from uuid import UUID, uuid4

import psycopg

from accounts import tenancy
from tests.benchmarks.billing.closer import digest_of_documents
from tests.benchmarks.billing.running import ended, killed_after, started
from tests.benchmarks.billing.world import make_world

KILLED_AT = (0.25, 0.5, 0.9)


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 10,000 sites; else 200."""
    sites = 10_000 if full else 200
    with psycopg.connect(servers.superuser_url, autocommit=True) as superuser:
        yield _two_workers(superuser, sites)
        yield _killed(superuser, sites)
        yield _killed_in_chunks(superuser, sites)


def _two_workers(superuser: psycopg.Connection[Any], sites: int) -> dict[str, Any]:
    operator_id = uuid4()
    make_world(superuser, operator_id, sites)
    wanted = ended(started(operator_id, "undo")).digest
    _say("two workers close one month")
    workers = [started(operator_id) for _ in range(2)]
    fates = sorted(ended(worker).refused or "closed" for worker in workers)
    figures = {
        "fates": fates,
        **_stored(superuser, operator_id),
        "same_bytes": _digest(operator_id) == wanted,
    }
    return {
        "name": "billing.two_workers",
        "value": fates.count("closed"),
        "unit": "closes of one month by two workers at once",
        "against": "one close, one set of documents, the bytes of a close alone",
        "figures": figures,
        "target": 1,
        "ok": fates.count("closed") == figures["closes"] == 1 and figures["sound"] and figures["same_bytes"],
        "rounds": 1,
        "n": sites,
    }


def _killed(superuser: psycopg.Connection[Any], sites: int) -> dict[str, Any]:
    operator_id = uuid4()
    make_world(superuser, operator_id, sites)
    wanted = ended(started(operator_id, "undo")).digest
    left, at = [], []
    for share in KILLED_AT:
        at.append(killed_after(started(operator_id), share))
        _wait_for_the_server(superuser)
        stored = _stored(superuser, operator_id)
        left.append(stored["closes"] + stored["documents"] + stored["charges"])
    _say(f"ended at {at}; closing once more")
    again = ended(started(operator_id))
    figures = {
        "ended_at": at,
        "rows_left_behind": sum(left),
        **_stored(superuser, operator_id),
        "same_bytes": _digest(operator_id) == wanted,
    }
    return {
        "name": "billing.killed",
        "value": sum(left),
        "unit": "rows left by a close ended by signal 9",
        "against": "none, and the bytes of a close alone when it is run again",
        "figures": figures,
        "target": 0,
        "ok": not again.refused
        and figures["closes"] == 1
        and sum(left) == 0
        and figures["sound"]
        and figures["same_bytes"],
        "rounds": len(KILLED_AT),
        "n": sites,
    }


def _killed_in_chunks(superuser: psycopg.Connection[Any], sites: int) -> dict[str, Any]:
    """A worker's close, ended at the same shares: whoever comes next goes on, and what was rated is not rated again."""
    operator_id = uuid4()
    make_world(superuser, operator_id, sites)
    wanted = ended(started(operator_id, "undo")).digest
    left, at = [], []
    for share in KILLED_AT:
        at.append(killed_after(started(operator_id, "chunks"), share))
        _wait_for_the_server(superuser)
        stored = _stored(superuser, operator_id)
        left.append(stored["closes"] + stored["documents"] + stored["charges"])
    _say(f"ended at {at}; going on to the end")
    again = ended(started(operator_id, "chunks"))
    figures = {
        "ended_at": at,
        "rows_left_behind": sum(left),
        **_stored(superuser, operator_id),
        "same_bytes": _digest(operator_id) == wanted,
    }
    went_on = all(later["began"] > 0 for later in at[1:])
    return {
        "name": "billing.killed_in_chunks",
        "value": sum(left),
        "unit": "rows left by a close in chunks ended by signal 9",
        "against": "none, and the bytes of a close alone when others have gone on with it",
        "figures": figures,
        "target": 0,
        "ok": not again.refused
        and figures["closes"] == 1
        and sum(left) == 0
        and went_on
        and figures["sound"]
        and figures["same_bytes"],
        "rounds": len(KILLED_AT),
        "n": sites,
    }


def _wait_for_the_server(superuser: psycopg.Connection[Any]) -> None:
    """The server undoes a transaction when it finds its client gone, which is after the statement it is at."""
    for _ in range(600):
        (busy,) = superuser.execute(
            "SELECT count(*) FROM pg_stat_activity WHERE pid <> pg_backend_pid() AND xact_start IS NOT NULL "
            "AND backend_type = 'client backend'"
        ).fetchone() or (0,)
        if not busy:
            return
        time.sleep(0.1)
    raise AssertionError("The server still holds the transaction of a process that has ended.")


def _stored(superuser: psycopg.Connection[Any], operator_id: UUID) -> dict[str, Any]:
    """What stands stored. ``sound``: a document for each payer, numbers from 1 without a gap, no charge on two."""
    closes, charges, documents, payers, highest, lines = superuser.execute(
        """
        SELECT (SELECT count(*) FROM billing_periodclose WHERE operator_id = %(o)s),
            (SELECT count(*) FROM billing_charge WHERE operator_id = %(o)s),
            count(*), count(DISTINCT customer_id), coalesce(max(ordinal), 0),
            (SELECT count(DISTINCT charge_id) FROM billing_documentline WHERE operator_id = %(o)s)
        FROM billing_document WHERE operator_id = %(o)s
        """,
        {"o": operator_id},
    ).fetchone() or (0, 0, 0, 0, 0, 0)
    customers = superuser.execute(
        "SELECT count(*) FROM accounts_customer c WHERE operator_id = %s AND NOT EXISTS (SELECT FROM billing_billingprofile p "
        "WHERE (p.operator_id, p.customer_id) = (c.operator_id, c.id) AND p.bill_to_id IS NOT NULL)",
        [operator_id],
    ).fetchone()
    return {
        "closes": closes,
        "charges": charges,
        "documents": documents,
        "sound": (documents, highest, lines) == (payers, payers, charges) and customers == (payers,),
    }


def _digest(operator_id: UUID) -> str:
    with tenancy.operator_scope(operator_id, read_only=True):
        return digest_of_documents()


def _say(text: str) -> None:
    print(f"bench: {text}", file=sys.stderr)
