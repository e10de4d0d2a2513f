"""A small program of the accounts, written against the generated client alone: it keeps a debtors' ledger beside ours.

    python ledger.py pull                 follow the feed to its end
    python ledger.py pay PAYMENTS.json    record what came to the bank, each once
    python ledger.py report               debtors, open documents and trial balance as JSON

It may be ended at any moment and started again: what it has read and what it is about to send stands in one SQLite file,
and each step of it is one transaction. Settings come from the environment: WICKROUND_URL, WICKROUND_CLIENT_ID,
WICKROUND_CLIENT_SECRET and LEDGER (the file).
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from decimal import Decimal
from functools import partial
from http import HTTPStatus
from pathlib import Path
from typing import Any, TypeAlias

import httpx
from wickround_client import AuthenticatedClient
from wickround_client.api.accounting import follow_changes
from wickround_client.api.payments import record_payments
from wickround_client.models import (
    Changes,
    CreditNoteChange,
    CustomerChange,
    InvoiceChange,
    JournalEntryChange,
    OpeningChange,
    PaymentChange,
    PaymentSent,
    RefundChange,
)
from wickround_client.types import Response

PAGE = int(os.environ.get("LEDGER_PAGE", "500"))
TRIES = 8
AGAIN = {
    HTTPStatus.TOO_MANY_REQUESTS,
    HTTPStatus.SERVICE_UNAVAILABLE,
    HTTPStatus.BAD_GATEWAY,
    HTTPStatus.GATEWAY_TIMEOUT,
}
SCOPES = "changes:read customers:read invoices:read journal:read payments:read payments:record"

Change: TypeAlias = (
    CustomerChange
    | InvoiceChange
    | CreditNoteChange
    | OpeningChange
    | JournalEntryChange
    | PaymentChange
    | RefundChange
)


class Refused(Exception):
    """The other side said no, and saying the same again would not help."""


class Link:
    """The generated client with a token that is renewed, and patience."""

    def __init__(self, url: str, client_id: str, secret: str) -> None:
        self.url, self.credentials = url, (client_id, secret)
        self.client = self._signed_in()

    def _signed_in(self) -> AuthenticatedClient:
        answer = self._asked(
            lambda: httpx.post(
                f"{self.url}/oauth/token",
                data={"grant_type": "client_credentials", "scope": SCOPES},
                auth=self.credentials,
                timeout=30,
            )
        )
        answer.raise_for_status()
        token = answer.json()["access_token"]
        return AuthenticatedClient(base_url=self.url, token=token, timeout=httpx.Timeout(60))

    def ask(self, call: Callable[..., Response[Any]]) -> Response[Any]:
        """What a call answers in the end: asked again when it is too much or too soon, with a new token when it ended."""
        answer = self._asked(lambda: call(client=self.client))
        if answer.status_code == HTTPStatus.UNAUTHORIZED:
            self.client = self._signed_in()
            answer = self._asked(lambda: call(client=self.client))
        return answer

    @staticmethod
    def _asked(call: Callable[[], Any]) -> Any:
        for tried in range(TRIES):
            try:
                answer = call()
            except httpx.TransportError:
                if tried == TRIES - 1:
                    raise
                time.sleep(min(5, 0.2 * 2**tried))
                continue
            if answer.status_code not in AGAIN:
                return answer
            time.sleep(min(30, int(answer.headers.get("Retry-After", 1))))
        raise Refused(f"Still {answer.status_code} after {TRIES} tries.")


class Books:
    """What was read, and what is to be sent."""

    def __init__(self, path: str) -> None:
        self.store = sqlite3.connect(path, isolation_level=None)
        self.store.executescript(
            """
            PRAGMA journal_mode = WAL;
            PRAGMA synchronous = FULL;
            CREATE TABLE IF NOT EXISTS progress (one INTEGER PRIMARY KEY CHECK (one = 1), token TEXT NOT NULL);
            CREATE TABLE IF NOT EXISTS thing (
                kind TEXT, id TEXT, version INTEGER NOT NULL, body TEXT NOT NULL, PRIMARY KEY (kind, id));
            CREATE TABLE IF NOT EXISTS outgoing (
                external_id TEXT PRIMARY KEY, idempotency_key TEXT NOT NULL, body TEXT NOT NULL, sent TEXT);
            """
        )

    def token(self) -> str | None:
        row = self.store.execute("SELECT token FROM progress").fetchone()
        return row[0] if row else None

    def take_in(self, page: Changes) -> None:
        """A page and the token behind it, together or not at all."""
        with self._at_once():
            for change in page.changes:
                self._take_in_one(change)
            self.store.execute("INSERT OR REPLACE INTO progress VALUES (1, ?)", (page.next_,))

    def _take_in_one(self, change: Change) -> None:
        key = (change.kind.value, str(change.id))
        if change.gone or change.object_ is None:
            self.store.execute("DELETE FROM thing WHERE kind = ? AND id = ?", key)
            return
        body = json.dumps(change.object_.to_dict())
        self.store.execute(
            "INSERT INTO thing VALUES (?, ?, ?, ?) ON CONFLICT (kind, id) DO UPDATE "
            "SET version = excluded.version, body = excluded.body WHERE excluded.version >= version",
            (*key, change.version, body),
        )

    def forget(self) -> None:
        """All that was read; what is to be sent stays."""
        with self._at_once():
            self.store.execute("DELETE FROM thing")
            self.store.execute("DELETE FROM progress")

    def things(self, kind: str) -> Iterator[dict[str, Any]]:
        for (body,) in self.store.execute("SELECT body FROM thing WHERE kind = ? ORDER BY id", (kind,)):
            yield json.loads(body)

    def intend(self, external_id: str, body: dict[str, Any]) -> None:
        """Note what will be sent before it is, with the key under which it will be sent however often."""
        text = json.dumps(body, sort_keys=True)
        key = hashlib.sha256(text.encode()).hexdigest()
        self.store.execute(
            "INSERT INTO outgoing VALUES (?, ?, ?, NULL) ON CONFLICT DO NOTHING", (external_id, key, text)
        )

    def is_intended(self, external_id: str) -> bool:
        found = self.store.execute("SELECT 1 FROM outgoing WHERE external_id = ?", (external_id,)).fetchone()
        return found is not None

    def unsent(self) -> list[tuple[str, str, str]]:
        return self.store.execute(
            "SELECT external_id, idempotency_key, body FROM outgoing WHERE sent IS NULL ORDER BY external_id"
        ).fetchall()

    def note_sent(self, external_id: str, answer: str) -> None:
        self.store.execute("UPDATE outgoing SET sent = ? WHERE external_id = ?", (answer, external_id))

    def _at_once(self) -> sqlite3.Connection:
        self.store.execute("BEGIN IMMEDIATE")
        return self.store


def pull(link: Link, books: Books) -> int:
    """Follow the feed to its end; gives how many changes there were."""
    count = 0
    while True:
        after = {"after": token} if (token := books.token()) else {}
        answer = link.ask(partial(follow_changes.sync_detailed, limit=PAGE, **after))
        if answer.status_code == HTTPStatus.GONE:
            books.forget()
            continue
        page = answer.parsed
        if not isinstance(page, Changes):
            raise Refused(answer.content.decode())
        books.take_in(page)
        count += len(page.changes)
        if not page.more:
            return count


def pay(link: Link, books: Books, received: list[dict[str, str]]) -> int:
    """Record what came to the bank: each settles the document that it names, as far as that is open.

    ``received``: ``external_id``, ``customer`` (its code), ``received_on``, ``amount``, ``currency``, ``document``.
    """
    left, customers = left_of(books), {one["code"]: one["id"] for one in books.things("customer")}
    for one in received:
        if books.is_intended(one["external_id"]):
            continue
        settles = min(Decimal(one["amount"]), left.get(one["document"], Decimal(0)))
        allocations = [{"document": one["document"], "amount": str(settles)}] if settles > 0 else []
        if settles > 0:
            left[one["document"]] -= settles
        books.intend(
            one["external_id"],
            {
                "customer": customers[one["customer"]],
                "received_on": one["received_on"],
                "amount": one["amount"],
                "currency": one["currency"],
                "method": "transfer",
                "reference": one["document"],
                "external_id": one["external_id"],
                "allocations": allocations,
            },
        )
    return send(link, books)


def send(link: Link, books: Books) -> int:
    """Send all that is noted and not known to have arrived."""
    unsent = books.unsent()
    for external_id, key, text in unsent:
        body = PaymentSent.from_dict(json.loads(text))
        answer = link.ask(partial(record_payments.sync_detailed, body=body, idempotency_key=key))
        if answer.status_code != HTTPStatus.CREATED:
            raise Refused(answer.content.decode())
        books.note_sent(external_id, answer.content.decode())
    return len(unsent)


# What the things add up to


def left_of(books: Books) -> dict[str, Decimal]:
    """What each document has left: owed, or of a credit note to give; by its number."""
    left = {
        one["number"]: Decimal(one["payable"])
        for kind in ("invoice", "opening", "credit_note")
        for one in books.things(kind)
    }
    for kind in ("payment", "credit_note"):
        for one in books.things(kind):
            for allocation in one["allocations"]:
                left[allocation["document"]] -= Decimal(allocation["amount"])
                if kind == "credit_note":
                    left[one["number"]] -= Decimal(allocation["amount"])
    for one in books.things("refund"):
        if one["credit_note"]:
            left[one["credit_note"]] -= Decimal(one["amount"])
    return left


def debtors(books: Books) -> dict[str, dict[str, str]]:
    """What each customer owes by currency, less what is kept for it; by the customer's code, only where it is something."""
    owed: dict[tuple[str, str], Decimal] = defaultdict(Decimal)
    left = left_of(books)
    for kind, sign in (("invoice", 1), ("opening", 1), ("credit_note", -1)):
        for one in books.things(kind):
            owed[one["customer"], one["currency"]] += sign * left[one["number"]]
    for one in books.things("payment"):
        owed[one["customer"], one["currency"]] -= Decimal(one["left"])
    codes = {one["id"]: one["code"] for one in books.things("customer")}
    found: dict[str, dict[str, str]] = defaultdict(dict)
    for (customer, currency), amount in sorted(owed.items()):
        if amount:
            found[codes[customer]][currency] = str(amount)
    return dict(sorted(found.items()))


def trial_balance(books: Books) -> dict[str, str]:
    """Debit less credit by legal entity, currency and account."""
    sums: dict[str, Decimal] = defaultdict(Decimal)
    for entry in books.things("journal_entry"):
        for line in entry["lines"]:
            key = "|".join((entry["legal_entity"], entry["currency"], line["account"]))
            sums[key] += Decimal(line["debit"]) - Decimal(line["credit"])
    return {key: str(amount) for key, amount in sorted(sums.items())}


def report(books: Books) -> dict[str, Any]:
    """All of it, amounts as decimals in strings."""
    left = {number: str(amount) for number, amount in sorted(left_of(books).items()) if amount}
    return {
        "debtors": debtors(books),
        "open": left,
        "trial_balance": trial_balance(books),
        "payments": sorted(one["external_id"] for one in books.things("payment") if one["external_id"]),
    }


def main(arguments: list[str]) -> int:
    environment = os.environ
    books = Books(environment["LEDGER"])
    if arguments == ["report"]:
        print(json.dumps(report(books), indent=1))
        return 0
    link = Link(
        environment["WICKROUND_URL"],
        environment["WICKROUND_CLIENT_ID"],
        environment["WICKROUND_CLIENT_SECRET"],
    )
    count = pull(link, books)
    if arguments[0] == "pay":
        pay(link, books, json.loads(Path(arguments[1]).read_text()))
        count += pull(link, books)
    print(f"{count} changes read")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
