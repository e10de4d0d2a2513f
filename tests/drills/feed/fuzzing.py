"""Thousands of odd requests at every operation of the API, made from its description by a program that is not ours.

schemathesis tries the examples, the edges of each schema, random values, wrong ones, and chains of calls; the description
judges each answer, with all of its checks. A program with every scope asks: there is no operation that none may call.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import urllib.request
from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from accounts import clock
from accounts.commands import clients
from accounts.permissions import PROGRAM_SCOPES
from config.schema.naming import TAGS
from tests.api.callers import live
from tests.cast import NOON, new_cast
from tests.integration.serving import as_in_the_tests, served

SEED = 20_267
CASES_FULL, CASES_SHORT = 20_000, 600
TARGET = "0 failures of any check, and no operation left out"
# What the schema lets through may still be refused: a month that is closed, a word that is taken, a row that is not there.
SAID_NO = ["2xx", "304", "400", "401", "403", "404", "409", "410", "412", "413", "415", "422", "428"]
# What the schema doesn't let through is refused by one of these.
REFUSED = ["400", "401", "403", "404", "405", "406", "409", "413", "414", "415", "422", "428"]
SERVER_ERRORS = {"ST101"}
IGNORED = {"ST401"}
MOST_SECONDS = 1_800
MOST_ROUNDS = 20


@dataclass
class Figures:
    """What all rounds found, by kind of failure."""

    cases: int = 0
    operations: int = 0
    tested: int = 0
    rounds: int = 0
    errors: int = 0
    failures: Counter[str] = field(default_factory=Counter)

    def add(self, report: dict[str, Any], *, first_time: bool) -> None:
        self.rounds += 1
        self.cases += report["test_cases"]["generated"]
        if first_time:
            self.operations += report["operations"]["selected"]
            self.tested += report["operations"]["tested"]
        self.errors += sum(one["count"] for one in report["errors"])
        for one in report["failures"]:
            self.failures[f"{one['code']} {one['title']}"] += one["count"]


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: at least 20,000 cases, round by round; else at least 600 in one."""
    as_in_the_tests()
    wanted, found = (CASES_FULL if full else CASES_SHORT), Figures()
    with tempfile.TemporaryDirectory(prefix="wickround-") as name:
        folder = Path(name)
        with clock.playing(NOON):
            cast = new_cast("fuzz")
            ids = live(cast)
            client, secret = clients.make_client(actor=cast.owner, name="Fuzz", scopes=PROGRAM_SCOPES)
        log = folder / "web.log"
        with served(servers, log) as address:
            settled = _settings(folder, ids)
            for number, amount in enumerate(_amounts(full=full)):
                if found.cases >= wanted and number >= (len(TAGS) if full else 1):
                    break
                token = _token(address, client.client_id, secret)
                options = [
                    "--header",
                    f"Authorization: Bearer {token}",
                    "--seed",
                    str(SEED + number),
                    *amount,
                ]
                first_time = number < (len(TAGS) if full else 1)
                found.add(_round(folder, address, settled, options), first_time=first_time)
                print(f"drill: {found.cases:,} of {wanted:,} cases", file=sys.stderr)
        unforeseen = log.read_text().count("unforeseen path=")
    yield _line(found, unforeseen, wanted)


def _amounts(*, full: bool) -> Iterator[list[str]]:
    """How much each round tries: group by group, so that one ends before its token does; first the edges of the schemas."""
    if not full:
        for _number in range(MOST_ROUNDS):
            yield ["--max-examples", "1", "--phases", "examples,fuzzing"]
    for tag in TAGS:
        yield ["--max-examples", "5", "--include-tag", tag]
    for _number in range(MOST_ROUNDS):
        for tag in TAGS:
            yield ["--max-examples", "25", "--phases", "fuzzing,stateful", "--include-tag", tag]


def _settings(folder: Path, ids: Mapping[str, Any]) -> Path:
    """A file that says which ids exist, and what may be refused."""
    lines = [
        "[checks.positive_data_acceptance]",
        f"expected-statuses = {json.dumps(SAID_NO)}",
        "[checks.negative_data_rejection]",
        f"expected-statuses = {json.dumps(REFUSED)}",
        # An upload is answered event by event: what is wrong with one is said beside it, in a 200.
        "[[operations]]",
        'include-operation-id = "upload_service_events"',
        "[operations.checks.negative_data_rejection]",
        f"expected-statuses = {json.dumps([*REFUSED, '200'])}",
    ]
    for name, value in ids.items():
        lines += [f"[dictionaries.{name}]", f"values = [{json.dumps(str(value))}]"]
    lines.append("[parameters]")
    lines += [f'"path.{name}" = {{ dictionary = "{name}", probability = 0.7 }}' for name in ids]
    path = folder / "schemathesis.toml"
    path.write_text("\n".join(lines) + "\n")
    return path


def _token(address: str, client_id: str, secret: str) -> str:
    """A program's token, by RFC 6749 section 4.4."""
    form = {"grant_type": "client_credentials", "client_id": client_id, "client_secret": secret}
    with urllib.request.urlopen(f"{address}/oauth/token", urlencode(form).encode(), timeout=60) as answer:
        return str(json.load(answer)["access_token"])


def _round(folder: Path, address: str, settled: Path, options: list[str]) -> dict[str, Any]:
    """One run of schemathesis; its report. What it found stands on standard error."""
    report = folder / "report.json"
    report.unlink(missing_ok=True)
    command = [
        str(Path(sys.executable).with_name("schemathesis")),
        *("--config-file", str(settled)),
        "run",
        f"{address}/api/v1/schema",
        *("--checks", "all", "--continue-on-failure", "--no-color", "--warnings", "off"),
        *("--report", "json", "--report-json-path", str(report), "--request-timeout", "60"),
        *options,
    ]
    done = subprocess.run(
        command, cwd=folder, timeout=MOST_SECONDS, check=False, capture_output=True, text=True
    )
    if not report.exists():
        raise RuntimeError(f"schemathesis gave no report:\n{done.stdout[-3_000:]}\n{done.stderr[-3_000:]}")
    found = json.loads(report.read_text())
    if found["failures"] or found["errors"]:
        print(done.stdout, file=sys.stderr)
    return found


def _line(found: Figures, unforeseen: int, wanted: int) -> dict[str, Any]:
    server_errors = _of(found, SERVER_ERRORS) + unforeseen
    ignored = _of(found, IGNORED)
    return {
        "name": "feed.fuzz",
        "figures": {
            "cases": found.cases,
            "rounds": found.rounds,
            "operations": found.operations,
            "operations_tried": found.tested,
            "server_errors": server_errors,
            "ignored_credentials": ignored,
            "against_the_description": found.failures.total() + unforeseen - server_errors - ignored,
            "not_run": found.errors,
            "failures": dict(found.failures),
        },
        "target": TARGET,
        "ok": found.cases >= wanted
        and found.tested == found.operations > 0
        and not found.failures
        and not unforeseen
        and not found.errors,
        "seed": SEED,
    }


def _of(found: Figures, codes: Collection[str]) -> int:
    """How many failures have one of schemathesis's codes (`schemathesis explain CODE` says what each is)."""
    return sum(count for title, count in found.failures.items() if title.split(maxsplit=1)[0] in codes)
