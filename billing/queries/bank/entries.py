"""Reads of bank statements that were taken in, and of what became of their entries, inside an operator's scope."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection
from datetime import date
from decimal import Decimal
from uuid import UUID

from django.db.models import Count, Exists, OuterRef, Q, QuerySet

from accounts.errors import NotFound
from accounts.languages import _
from billing.models import BankEntry, BankStatement, Payment, Refund
from billing.rules.bank.statements import Movement

MOST_PAYMENTS = 8


def bank_statements() -> QuerySet[BankStatement]:
    """Every statement, in the order they were taken in."""
    return BankStatement.objects.select_related("legal_entity").order_by("id")


def get_bank_statement(statement_id: UUID) -> BankStatement:
    row = bank_statements().filter(id=statement_id).first()
    if row is None:
        raise NotFound(_("There is no bank statement here with this id."))
    return row


def same_statement(account: str, statement_id: str, closing: Decimal, until: date) -> BankStatement | None:
    """The very statement, if it was taken in before."""
    return (
        bank_statements()
        .filter(account=account, statement_id=statement_id, closing=closing, until=until)
        .first()
    )


def statement_before(account: str, since: date, until: date) -> BankStatement | None:
    """The last statement of an account that ended before this one did and no later than this one began."""
    earlier = bank_statements().filter(account=account, until__lte=since, until__lt=until)
    return earlier.order_by("-until", "-id").first()


def bank_entries() -> QuerySet[BankEntry]:
    """Every movement that was taken in, statement by statement."""
    return BankEntry.objects.select_related(
        "statement", "statement__legal_entity", "payment", "payment__customer", "refund"
    ).order_by("statement_id", "ordinal")


def get_bank_entry(entry_id: UUID) -> BankEntry:
    row = bank_entries().filter(id=entry_id).first()
    if row is None:
        raise NotFound(_("There is no bank entry here with this id."))
    return row


def entries_of(statement_id: UUID) -> QuerySet[BankEntry]:
    """The entries of a statement as they stand on it."""
    return bank_entries().filter(statement_id=statement_id).order_by("ordinal")


def waiting() -> QuerySet[BankEntry]:
    """What a person still has to look at, the oldest first."""
    return bank_entries().filter(state="unmatched").order_by("booked_on", "statement_id", "ordinal")


def waiting_count() -> int:
    return BankEntry.objects.filter(state="unmatched").count()


def states_of(statement_ids: Collection[UUID]) -> dict[UUID, Counter[str]]:
    """For each statement how many of its entries are in which state."""
    found: dict[UUID, Counter[str]] = {statement_id: Counter() for statement_id in statement_ids}
    rows = BankEntry.objects.filter(statement_id__in=statement_ids).order_by()
    for statement_id, state, count in rows.values_list("statement_id", "state").annotate(Count("id")):
        found[statement_id][state] = count
    return found


def entries_by_key(keys: Collection[str]) -> dict[str, BankEntry]:
    return {row.key: row for row in bank_entries().filter(key__in=keys)}


def next_ordinal(statement_id: UUID) -> int:
    """Where entries go on that a statement brings when it is taken in again."""
    return BankEntry.objects.filter(statement_id=statement_id).count()


def payers_of(accounts: Collection[str]) -> dict[str, frozenset[UUID]]:
    """For whom these accounts paid before."""
    found: dict[str, set[UUID]] = defaultdict(set)
    rows = BankEntry.objects.filter(party_account__in=set(accounts) - {""}, payment__isnull=False)
    for account, customer_id in rows.values_list("party_account", "payment__customer_id").distinct():
        found[account].add(customer_id)
    return {account: frozenset(ids) for account, ids in found.items()}


def payments_without_statement(
    customer_ids: Collection[UUID], *, entity_id: UUID | None, currency: str, since: date, until: date
) -> dict[tuple[UUID, Decimal], list[date]]:
    """The days of payments that were recorded without the bank and not taken back, by customer and amount; cash is none."""
    found: dict[tuple[UUID, Decimal], list[date]] = defaultdict(list)
    rows = Payment.objects.filter(customer_id__in=customer_ids, legal_entity_id=entity_id, currency=currency)
    rows = rows.filter(received_on__gte=since, received_on__lte=until).exclude(method="cash")
    rows = rows.exclude(Exists(BankEntry.objects.filter(payment_id=OuterRef("id"))))
    rows = rows.exclude(Exists(Refund.objects.filter(kind="return", payment_id=OuterRef("id"))))
    for customer_id, amount, day in rows.order_by("received_on").values_list(
        "customer_id", "amount", "received_on"
    ):
        found[customer_id, amount].append(day)
    return found


def payments_by_id(account: str, end_to_ends: Collection[str]) -> set[tuple[str, Decimal]]:
    """The end-to-end ids and amounts of payments that came in on an account."""
    rows = _paid().filter(statement__account=account, end_to_end__in=set(end_to_ends) - {""})
    return set(rows.values_list("end_to_end", "amount"))


def _paid() -> QuerySet[BankEntry]:
    return BankEntry.objects.filter(credit=True, payment__isnull=False)


def payments_taken_back(entry: BankEntry) -> list[Payment]:
    """The payments that an entry may take back, the latest first: of its amount, by its id, its reference or its account."""
    if entry.credit:
        return []
    same = Q(pk__in=[])
    for name in ("end_to_end", "bank_reference", "reference", "party_account"):
        if value := getattr(entry, name):
            same |= Q(**{name: value})
    rows = _paid().filter(same, amount=entry.amount, currency=entry.currency)
    rows = rows.filter(booked_on__lte=entry.booked_on, statement__account=entry.statement.account)
    rows = rows.select_related("payment", "payment__customer").order_by("-booked_on", "-id")
    # A return that somebody recorded by hand still waits for its entry.
    returned = BankEntry.objects.filter(refund__payment_id=OuterRef("payment_id"))
    return [row.payment for row in rows.exclude(Exists(returned))[:MOST_PAYMENTS] if row.payment is not None]


def is_settled_by(refund_id: UUID) -> bool:
    """Whether an entry of the bank is a returned payment already."""
    return BankEntry.objects.filter(refund_id=refund_id).exists()


def movement_of(entry: BankEntry) -> Movement:
    """An entry as the plain value that it was taken in from."""
    return Movement(
        ordinal=entry.ordinal,
        booked_on=entry.booked_on,
        value_on=entry.value_on,
        amount=entry.amount,
        is_credit=entry.credit,
        currency=entry.currency,
        entry_reference=entry.bank_reference,
        end_to_end=entry.end_to_end,
        references=(entry.reference,) if entry.reference else (),
        remittance=entry.remittance,
        party=entry.party,
        party_account=entry.party_account,
    )
