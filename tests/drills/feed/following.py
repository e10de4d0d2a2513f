"""A program that somebody else wrote keeps a debtors' ledger by the feed, pays a month of debts, and is killed again and again.

The client is generated from the served description; the program (`tests/integration/ledger.py`) knows nothing else. Each
SIGKILL comes at a request drawn at random: before it, after it was done but not answered, in the middle of its answer, or
while the program writes it down. In the end its books must be ours to the cent, and each payment recorded once.
"""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import tempfile
import urllib.request
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from accounts.commands import clients
from accounts.permissions import system_actor
from demo_tenant.presets import DEFAULT_SEED
from demo_tenant.seed import play
from demo_tenant.story import tell_each
from tests.integration.failing import MOMENTS, Way, opened
from tests.integration.generated import make_client_package
from tests.integration.serving import as_in_the_tests, served

SEED = 20_268
AS_OF = date(2026, 6, 14)
TARGET = "debtors, open documents and trial balance equal to ours; each payment recorded once; every death came to pass"
SCOPES = (
    "changes:read",
    "customers:read",
    "invoices:read",
    "journal:read",
    "payments:read",
    "payments:record",
)
LEDGER = Path(__file__).resolve().parents[2] / "integration" / "ledger.py"
MOST_REQUESTS = 8
MOST_SECONDS = 300


@dataclass
class Killed:
    """What became of the program."""

    deaths: Counter[str] = field(default_factory=Counter)
    finished_unharmed: int = 0
    failed: list[str] = field(default_factory=list)


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 50 deaths over 240 payments; else 5 over 30. The books are those of the invented world's first operator."""
    as_in_the_tests()
    story = next(iter(tell_each("tiny", AS_OF, DEFAULT_SEED)))
    print("drill: an operator lives through its story", file=sys.stderr)
    play(story, "only the drill signs in by this", lambda line: print(f"drill: {line}", file=sys.stderr))
    client, secret = clients.make_client(actor=system_actor(story.master.id), name="Ledger", scopes=SCOPES)
    with tempfile.TemporaryDirectory(prefix="wickround-") as name:
        folder = Path(name)
        with served(servers, folder / "web.log") as address, opened(address) as (way, by_way):
            make_client_package(address, folder)
            ours = _Ours(address, client.client_id, secret)
            received = _received(ours, 240 if full else 30)
            (folder / "received.json").write_text(json.dumps(received))
            program = _Program(folder, by_way, client.client_id, secret)
            killed = _harried(program, way, 50 if full else 5)
            way.disarm()
            program.run_to_its_end("pay", str(folder / "received.json"))
            theirs = json.loads(program.run_to_its_end("report"))
            yield _line(killed, theirs, ours, received, full=full)


class _Program:
    """The ledger program, with its own file and the generated client."""

    def __init__(self, folder: Path, address: str, client_id: str, secret: str) -> None:
        self.environment = {
            **{name: os.environ[name] for name in ("PATH", "HOME", "LANG") if name in os.environ},
            "PYTHONPATH": str(folder),
            "LEDGER": str(folder / "ledger.sqlite"),
            "LEDGER_PAGE": "40",
            "WICKROUND_URL": address,
            "WICKROUND_CLIENT_ID": client_id,
            "WICKROUND_CLIENT_SECRET": secret,
        }
        self.received = str(folder / "received.json")

    def start(self, *arguments: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [sys.executable, str(LEDGER), *arguments],
            env=self.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )

    def run_to_its_end(self, *arguments: str) -> str:
        process = self.start(*arguments)
        said, _nothing = process.communicate(timeout=MOST_SECONDS)
        if process.returncode:
            raise RuntimeError(f"The program ended with {process.returncode}:\n{said}")
        return said


def _harried(program: _Program, way: Way, deaths: int) -> Killed:
    """Start it until it was killed so often; one that ends before its request comes is started once more."""
    draw, found = random.Random(SEED), Killed()
    while found.deaths.total() < deaths and found.finished_unharmed < deaths:
        way.arm(draw.randint(1, MOST_REQUESTS), draw.choice(MOMENTS), draw.random() * 0.02)
        process = program.start("pay", program.received)
        way.pid = process.pid
        said, _nothing = process.communicate(timeout=MOST_SECONDS)
        if way.killed:
            found.deaths[way.killed] += 1
        elif process.returncode:
            found.failed.append(said[-500:])
            break
        else:
            found.finished_unharmed += 1
        print(f"drill: killed {found.deaths.total()} of {deaths} times", file=sys.stderr)
    return found


class _Ours:
    """Our own figures, as the API's totals give them; nothing of the feed."""

    def __init__(self, address: str, client_id: str, secret: str) -> None:
        form = {"grant_type": "client_credentials", "client_id": client_id, "client_secret": secret}
        self.address, self.form = address, urlencode(form).encode()

    def read(self, path: str, **query: Any) -> Any:
        with urllib.request.urlopen(f"{self.address}/oauth/token", self.form, timeout=60) as answer:
            token = json.load(answer)["access_token"]
        request = urllib.request.Request(
            f"{self.address}/api/v1/{path}?{urlencode(query)}", headers={"Authorization": f"Bearer {token}"}
        )
        with urllib.request.urlopen(request, timeout=60) as answer:
            return json.load(answer)

    def rows(self, path: str) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []
        after: dict[str, str] = {}
        while True:
            page = self.read(path, limit=200, **after)
            found += page["results"]
            if page["next"] is None:
                return found
            after = {"after": page["next"]}

    def figures(self) -> dict[str, Any]:
        """In the form of the program's report."""
        balances = self.read("account-balances")["balances"]
        debtors = {
            one["code"]: {
                owed["currency"]: owed["balance"] for owed in one["owes"] if Decimal(owed["balance"])
            }
            for one in self.rows("debtors")
        }
        return {
            "debtors": {code: owes for code, owes in sorted(debtors.items()) if owes},
            "open": {
                one["number"]: one["left"]
                for one in sorted(self.rows("open-documents"), key=lambda one: one["number"])
            },
            "trial_balance": {
                "|".join((one["legal_entity"], one["currency"], one["account"])): one["balance"]
                for one in balances
            },
        }


def _received(ours: _Ours, count: int) -> list[dict[str, str]]:
    """A month at the bank: debts paid whole, in parts, too much, twice, and money that names no document of ours."""
    draw = random.Random(SEED)
    codes = {one["id"]: one["code"] for one in ours.rows("customers")}
    owed = [one for one in ours.rows("open-documents") if one["kind"] != "credit_note"]
    debts = owed[: len(owed) * 2 // 3]  # the rest stays open
    found = []
    for number in range(count):
        debt = draw.choice(debts)
        share = draw.choice([Decimal(1), Decimal(1), Decimal("0.5"), Decimal("0.3333"), Decimal("1.1")])
        cent = Decimal(1).scaleb(-len(debt["left"].partition(".")[2]))
        found.append(
            {
                "external_id": f"bank-{number:04}",
                "customer": codes[debt["customer"]],
                "received_on": str(date(2026, 6, draw.randint(1, 14))),
                "amount": str(max(cent, (Decimal(debt["left"]) * share).quantize(cent, ROUND_HALF_UP))),
                "currency": debt["currency"],
                "document": debt["number"] if draw.random() > 0.05 else "UNKNOWN-1",
            }
        )
    return found


def _line(
    killed: Killed, theirs: dict[str, Any], ours: _Ours, received: list[dict[str, str]], *, full: bool
) -> dict[str, Any]:
    mine, recorded = ours.figures(), Counter(one["external_id"] for one in ours.rows("payments"))
    differing = {name: _differing(theirs[name], mine[name]) for name in mine}
    once = sum(recorded[one["external_id"]] == 1 for one in received)
    return {
        "name": "feed.follow",
        "figures": {
            "deaths": killed.deaths.total(),
            **{f"killed_{moment}": killed.deaths[moment] for moment in MOMENTS},
            "finished_unharmed": killed.finished_unharmed,
            "failed": killed.failed,
            "payments": len(received),
            "payments_recorded_once": once,
            "debtors": len(mine["debtors"]),
            "open_documents": len(mine["open"]),
            "accounts": len(mine["trial_balance"]),
            **{f"differing_{name}": count for name, count in differing.items()},
        },
        "target": TARGET,
        "ok": killed.deaths.total() >= (50 if full else 5)
        and not killed.failed
        and once == len(received)
        and min(len(mine["debtors"]), len(mine["open"]), len(mine["trial_balance"])) > 0
        and not any(differing.values()),
        "seed": SEED,
    }


def _differing(theirs: dict[str, Any], mine: dict[str, Any]) -> int:
    """How many entries of the one are not those of the other, amounts taken as numbers."""
    return sum(_number(theirs.get(key)) != _number(mine.get(key)) for key in theirs.keys() | mine.keys())


def _number(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: Decimal(inner) for key, inner in value.items()}
    return Decimal(value) if value is not None else Decimal(0)
