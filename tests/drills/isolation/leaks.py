"""Whatever a run of the tests makes that lets somebody in: none of it may stand in a dump of its database or in its log.

The tests themselves do this at the end of each run; here those that make credentials of every kind are run for it, or all of them.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.leaks import REPORT

MAKING = (
    "tests/test_leaks.py",
    "tests/accounts/test_second_factor.py",
    "tests/pages/test_second_factor.py",
    "tests/pages/test_passwords.py",
    "tests/pages/test_set_up_people.py",
    "tests/pages/test_record_links.py",
    "tests/servicing/test_entries.py",
    "tests/api/test_entries.py",
    "tests/api/test_oauth_ends.py",
    "tests/api/test_idempotency.py",
    "tests/billing/test_webhook_resealing.py",
)
# Without one of these the run would show nothing of it.
KINDS = {"token", "password", "session", "signed link", "new password", "recovery code", "second factor", "entry code", "webhook secret"}  # fmt: skip


def run(_servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: all tests; else those that make credentials."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "leaks.json"
        command = [sys.executable, "-m", "pytest", "-q", "-n", "2", *(() if full else MAKING)]
        done = subprocess.run(
            command, stdout=sys.stderr, env={**os.environ, REPORT: str(report)}, check=False
        )
        said = json.loads(report.read_text()) if report.exists() else []
    made = sum((Counter(one["made"]) for one in said), Counter[str]())
    found = sum((Counter(one["found"]) for one in said), Counter[str]())
    yield {
        "name": "credentials and entry codes in dumps and logs of a run",
        "value": found.total(),
        "unit": "found",
        "target": 0,
        "made": made.total(),
        "kinds": dict(sorted(made.items())),
        "where": dict(found),
        "megabytes": round(sum(one["dump"] + one["log"] for one in said) / 1e6, 1),
        "ok": not found and set(made) >= KINDS and done.returncode == 0,
    }
