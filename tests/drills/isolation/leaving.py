"""Everything of an operator is written out while memory stays flat; then all of it goes, a rival's rows stay as they are.

``peak_mb`` is how far the process's resident memory rose while it wrote (VmHWM of proc(5)), for a tenth of the rows and for
all of them: the second may not need noticeably more.
"""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import psycopg

from accounts import clock
from accounts.commands import closing, emptying
from accounts.permissions import system_actor
from config.exporting.filing import write_file
from config.exporting.reading_back import digest_of, missing
from tests.cast import NOON, Cast, new_cast

ROWS, FULL_ROWS = 20_000, 200_000
MOST_MORE_MB = 16
MOST_HELD_MS = 1_000
# Sites as an import leaves them, and events as uploads do: the one guarded against nothing, the other against its owner.
SITES = """
INSERT INTO accounts_site SELECT s.* FROM accounts_site t, generate_series(1, %(rows)s) n, LATERAL jsonb_populate_record(
    t, jsonb_build_object('id', gen_random_uuid(), 'code', 'D' || n)
) s WHERE t.operator_id = %(operator)s AND t.code = 'S1'
"""
EVENTS = """
INSERT INTO servicing_event ({columns}) SELECT {values}
FROM servicing_event t, generate_series(1, %(rows)s) n, LATERAL jsonb_populate_record(
    t, jsonb_build_object('event_id', gen_random_uuid(), 'device_sequence', 1000000 + n)
) s WHERE t.operator_id = %(operator)s
"""


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    rows = FULL_ROWS if full else ROWS
    with clock.playing(NOON), tempfile.TemporaryDirectory() as folder:
        few, many, rival = (_cast(servers, name, count) for name, count in _sizes(rows))
        before = _checksum(servers, rival)
        peaks: list[float] = []
        for cast in (few, few, many):  # the first time what is only loaded once is loaded
            path = Path(folder) / f"{len(peaks)}.zip"
            peaks.append(_peak_mb(cast, path))
        yield {
            "name": "isolation.leaving_written_out",
            "figures": {
                "rows": rows,
                "peak_mb": {str(rows // 10): peaks[1], str(rows): peaks[2]},
                "zip_mb": round(path.stat().st_size / 2**20, 1),
                "lacking": missing(many.owner, _manifest(path)),
            },
            "target": f"nothing lacking; all rows rise at most {MOST_MORE_MB} MB above a tenth of them",
            "ok": not missing(many.owner, _manifest(path)) and peaks[2] - peaks[1] <= MOST_MORE_MB,
        }
        yield _deleted(servers, many, rival, before, path)


def _sizes(rows: int) -> list[tuple[str, int]]:
    return [("few", rows // 10), ("many", rows), ("rival", rows // 20)]


def _manifest(path: Path) -> dict[str, Any]:
    from config.exporting.reading_back import manifest_of

    return manifest_of(path)


def _cast(servers: Any, name: str, rows: int) -> Cast:
    cast = new_cast(name)
    cast.upload(cast.installed())
    with psycopg.connect(servers.superuser_url) as connection:
        # Without triggers, each of which would note its row: what they note is not what is measured here.
        connection.execute("SET session_replication_role = replica")
        for sql in (SITES, _events(connection)):
            connection.execute(sql, {"rows": rows // 2, "operator": cast.operator.id})
    with psycopg.connect(servers.superuser_url, autocommit=True) as connection:
        connection.execute("VACUUM ANALYZE accounts_site, servicing_event")
    return cast


def _events(connection: Any) -> str:
    """Without what the database itself fills in."""
    rows = connection.execute(
        "SELECT column_name FROM information_schema.columns WHERE table_schema = 'public' AND "
        "table_name = 'servicing_event' AND column_name NOT IN ('position', 'recorded_at')"
    )
    columns = [f'"{name}"' for (name,) in rows.fetchall()]
    return EVENTS.format(columns=", ".join(columns), values=", ".join(f"s.{name}" for name in columns))


def _peak_mb(cast: Cast, path: Path) -> float:
    Path("/proc/self/clear_refs").write_text("5")
    began = _memory("VmRSS")
    write_file(system_actor(cast.operator.id), path)
    return round((_memory("VmHWM") - began) / 1024, 1)


def _memory(name: str) -> int:
    """In kibibytes."""
    lines = Path(f"/proc/{os.getpid()}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(f"{name}:"))


def _deleted(servers: Any, cast: Cast, rival: Cast, before: str, path: Path) -> dict[str, Any]:
    closing.ask_to_close(actor=cast.owner, slug=cast.operator.slug)
    held: list[float] = []
    with clock.playing(clock.now() + timedelta(days=closing.DAYS)):
        last = path.with_name("last.zip")
        manifest = write_file(system_actor(cast.operator.id), last)
        heads = (manifest["log_position"], manifest["audit_number"])
        emptying.shut(cast.operator.id, heads=heads)
        emptying.note_written_out(cast.operator.id, heads=heads, digest=digest_of(last))
        began = time.monotonic()
        delete_some = emptying.catalogue.delete_some

        def timed(*rest: Any) -> int:
            at = time.monotonic()
            gone = delete_some(*rest)
            held.append((time.monotonic() - at) * 1_000)
            return gone

        emptying.catalogue.delete_some = timed  # type: ignore[assignment]
        try:
            emptied = emptying.empty(cast.operator.id)
        finally:
            emptying.catalogue.delete_some = delete_some
        seconds = time.monotonic() - began
    left, same = emptying.left(cast.operator.id), _checksum(servers, rival) == before
    gone = sum(emptied.rows.values())
    return {
        "name": "isolation.leaving_deleted",
        "figures": {
            "rows": gone,
            "rows_a_second": round(gone / seconds),
            "longest_ms": round(max(held), 1),
            "left": left,
            "rival_is_as_it_was": same,
        },
        "target": f"no row left, the rival's as they were, no table held for more than {MOST_HELD_MS} ms",
        "ok": not left and same and max(held) <= MOST_HELD_MS,
    }


def _checksum(servers: Any, cast: Cast) -> str:
    tables = (
        "accounts_site",
        "servicing_event",
        "accounts_customer",
        "accounts_member",
        "accounts_auditentry",
    )
    sums = ", ".join(
        f"(SELECT md5(string_agg(t::text, '' ORDER BY t::text)) FROM {table} t WHERE operator_id = %(operator)s)"
        for table in tables
    )
    with psycopg.connect(servers.superuser_url) as connection:
        return str(connection.execute(f"SELECT {sums}", {"operator": cast.operator.id}).fetchone())
