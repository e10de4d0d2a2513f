"""Processes that change what the feed tells of, all at once, through the commands: they hold transactions open, and abort some."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from multiprocessing.synchronize import Event
from typing import Any
from uuid import UUID

from accounts.permissions import Actor

ABORTED_IN = 0.08
HELD_IN = 0.2
HELD_SECONDS = 0.05
PAID_ON = date(2026, 6, 10)
KINDS = ("customers", "profiles", "payments", "credits")


@dataclass(frozen=True, slots=True)
class Told:
    """A thing that a writer left: ``content`` as the feed must show it, None when it was removed; ``at``: after the commit."""

    kind: str
    id: UUID
    content: dict[str, Any] | None
    at: float


@dataclass(slots=True)
class Written:
    """What one writer did: everything that was committed, in its order, and the ids of what was not."""

    told: list[Told] = field(default_factory=list)
    aborted: list[UUID] = field(default_factory=list)
    waited_too_long: int = 0


class _Abort(Exception):
    """A transaction is given up on purpose."""


def write(kind: str, world: tuple[Actor, str, int], seed: int, stopped: Event, answer: Any) -> None:
    """The whole life of one writer process; ``world``: who acts, the invoice that credit notes give back of, and the
    most rows of one transaction.
    """
    import django

    django.setup()
    writer = _Writer(*world, random.Random(seed))
    change: Callable[[], list[Told]] = getattr(writer, kind)
    while not stopped.is_set():
        writer.one_transaction(change)
    answer.send(writer.written)
    answer.close()


class _Writer:
    def __init__(self, actor: Actor, number: str, most: int, draw: random.Random) -> None:
        self.actor, self.number, self.most, self.draw = actor, number, most, draw
        self.written = Written()
        self.count = 0
        self.mine: list[UUID] = []  # customers that this process made

    def one_transaction(self, change: Callable[[], list[Told]]) -> None:
        """Make a change with all that it draws, perhaps hold it open while others commit, perhaps give it up."""
        from django.db import OperationalError

        from accounts import tenancy

        told: list[Told] = []
        mine = list(self.mine)
        try:
            with tenancy.one_transaction(self.actor):
                told = change()
                self._hold()
        except (_Abort, OperationalError) as fault:
            self.mine = mine
            self.written.waited_too_long += not isinstance(fault, _Abort)
            known = {one.id for one in self.written.told} | set(mine)
            self.written.aborted += [one.id for one in told if one.id not in known]
            return
        at = time.monotonic()
        self.written.told += [Told(one.kind, one.id, one.content, at) for one in told]

    def _hold(self) -> None:
        if self.draw.random() < HELD_IN:
            time.sleep(self.draw.random() * HELD_SECONDS)
        if self.draw.random() < ABORTED_IN:
            raise _Abort

    def _name(self) -> str:
        self.count += 1
        return f"{self.draw.getrandbits(64):016x}-{self.count}"

    def customers(self) -> list[Told]:
        """New ones, other names for some, and some removed."""
        from accounts.commands.customers import add_customers, remove_customer
        from accounts.commands.places import change_customer

        rows = [
            {"code": self._name()[:20], "name": self._name(), "country": "DE"}
            for _ in range(self.draw.choice((1, 1, 5, self.most)))
        ]
        made = add_customers(actor=self.actor, customers=rows)
        told = [Told("customer", row.id, {"name": row.name}, 0) for row in made]
        for customer_id in self.draw.sample(self.mine, min(len(self.mine), 3)):
            if self.draw.random() < HELD_IN:
                remove_customer(actor=self.actor, customer_id=customer_id)
                told.append(Told("customer", customer_id, None, 0))
                self.mine.remove(customer_id)
            else:
                name = self._name()
                change_customer(actor=self.actor, customer_id=customer_id, name=name)
                told.append(Told("customer", customer_id, {"name": name}, 0))
        self.mine += [row.id for row in made]
        self.mine = self.mine[-200:]
        return told

    def profiles(self) -> list[Told]:
        """Other terms for a few customers of its own."""
        from accounts.commands.customers import add_customers
        from billing.commands.parties import set_profile

        if not self.mine:
            rows = [{"code": self._name()[:20], "name": "Terms", "country": "DE"} for _ in range(100)]
            self.mine = [row.id for row in add_customers(actor=self.actor, customers=rows)]
        told = []
        for customer_id in self.draw.sample(self.mine, self.draw.choice((1, 3, 10))):
            values = {"street": self._name()}
            set_profile(actor=self.actor, customer_id=customer_id, values=values)
            told.append(Told("customer", customer_id, values, 0))
        return told

    def payments(self) -> list[Told]:
        """Money of its own customer, all of it kept; an entry of the journal goes with each."""
        from accounts.commands.customers import add_customers
        from billing.commands.payments import NewPayment, record_payments

        if not self.mine:
            row = {"code": self._name()[:20], "name": "Payer", "country": "DE"}
            self.mine = [add_customers(actor=self.actor, customers=[row])[0].id]
        new = [
            NewPayment(
                self.mine[0], PAID_ON, Decimal(self.draw.randint(1, 9_999)) / 100, reference=self._name()
            )
            for _ in range(self.draw.choice((1, 2, 10, self.most)))
        ]
        made = record_payments(actor=self.actor, payments=new)
        return [Told("payment", row.id, {"reference": row.reference}, 0) for row in made]

    def credits(self) -> list[Told]:
        """A cent given back, as often as the invoice has cents."""
        from accounts.errors import Conflict
        from billing.commands.crediting import credit_document
        from billing.rules.crediting import CreditedLine

        with suppress(Conflict):
            cent = CreditedLine(1, Decimal("0.01"))
            note = credit_document(actor=self.actor, number=self.number, reason=self._name(), lines=[cent])
            return [Told("credit_note", note.id, {"number": note.number}, 0)]
        raise _Abort
