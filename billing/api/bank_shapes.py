"""How bank files, statements and entries stand in answers of the API."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from rest_framework import serializers

from billing.api.amounts import Amount
from billing.commands.bank_files import BankFile
from billing.models import BankEntry, BankStatement
from billing.queries.bank import entries, judging
from billing.queries.bank.judging import Look, StatementLook
from billing.rules.bank.matching import Fate, Hint, Suggestion
from billing.rules.bank.statements import Movement, Statement
from billing.rules.documents import amount_text

STATES = BankEntry.STATES
ZONELESS = "As the bank states it."


class SuggestionShown(serializers.Serializer[dict[str, Any]]):
    customer = serializers.UUIDField()
    document = serializers.CharField(help_text="Its number; empty where only the customer is suggested.")
    left = Amount(help_text="What is left to pay of the document.")
    hints = serializers.ListField(
        child=serializers.ChoiceField([str(hint) for hint in Hint]), help_text="Why it is suggested."
    )


class BankAllocationShown(serializers.Serializer[dict[str, Any]]):
    document = serializers.CharField()
    amount = Amount()


class MovementShown(serializers.Serializer[dict[str, Any]]):
    booked_on = serializers.DateField(help_text=ZONELESS)
    value_on = serializers.DateField(allow_null=True, help_text=ZONELESS)
    amount = Amount(help_text="Never below zero.")
    credit = serializers.BooleanField(help_text="Whether it came in; else it went out.")
    currency = serializers.CharField()
    bank_reference = serializers.CharField(help_text="The bank's own name of it.")
    end_to_end = serializers.CharField(help_text="The payer's own name of it.")
    reference = serializers.CharField(help_text="What stands in the field for the creditor's reference.")
    remittance = serializers.CharField(help_text="The words of the payer.")
    party = serializers.CharField(help_text="Who is at the other end.")
    party_account = serializers.CharField()


class LookShown(MovementShown):
    fate = serializers.ChoiceField([str(fate) for fate in Fate], help_text="What becomes of it.")
    why = serializers.CharField()
    customer = serializers.UUIDField(allow_null=True, help_text="Whose payment it is.")
    allocations = BankAllocationShown(many=True, help_text="What it settles.")
    kept = Amount(help_text="What of it is kept for the customer.")
    entry = serializers.UUIDField(allow_null=True, help_text="As which bank entry it is kept.")
    suggestions = SuggestionShown(many=True)


class StatementShown(serializers.Serializer[dict[str, Any]]):
    statement_id = serializers.CharField(help_text="The bank's own.")
    message_id = serializers.CharField()
    account = serializers.CharField()
    currency = serializers.CharField()
    legal_entity = serializers.CharField(help_text="The code of whose account it is; empty: the operator's.")
    since = serializers.DateField()
    until = serializers.DateField()
    opening = Amount(help_text="Above zero to our credit.")
    closing = Amount(help_text="Opening and all booked entries.")


class StatementLookShown(StatementShown):
    id = serializers.UUIDField(
        allow_null=True, help_text="Of the bank statement; null while it is a preview."
    )
    gap = serializers.CharField(help_text="Why the statement before it may be missing; empty where none is.")
    counts = serializers.DictField(child=serializers.IntegerField(), help_text="By fate.")
    entries = LookShown(many=True)
    pending = MovementShown(many=True, help_text="Announced by the bank, not booked: nothing becomes of it.")


class BankFileShown(serializers.Serializer[dict[str, Any]]):
    sha256 = serializers.CharField()
    statements = StatementLookShown(many=True)


class BankStatementShown(StatementShown):
    id = serializers.UUIDField()
    file_name = serializers.CharField()
    file_sha256 = serializers.CharField()
    imported_at = serializers.DateTimeField()
    states = serializers.DictField(
        child=serializers.IntegerField(), help_text="How many of its entries are in which state."
    )


class BankEntryShown(MovementShown):
    id = serializers.UUIDField()
    statement = serializers.UUIDField()
    account = serializers.CharField(help_text="On which it moved.")
    state = serializers.ChoiceField(STATES)
    why = serializers.CharField(help_text="Why it is in this state.")
    payment = serializers.UUIDField(
        allow_null=True, help_text="As which it is recorded, or which it took back."
    )
    refund = serializers.UUIDField(allow_null=True, help_text="As which it took a payment back.")
    settled_at = serializers.DateTimeField(allow_null=True)
    suggestions = SuggestionShown(many=True, help_text="What an entry that did not match may pay.")


def shown_file(file: BankFile, looks: Sequence[StatementLook]) -> dict[str, Any]:
    return {"sha256": file.sha256, "statements": [_statement_look(one) for one in looks]}


def _statement_look(look: StatementLook) -> dict[str, Any]:
    return {
        **_statement(look.statement, look.entity.code if look.entity else ""),
        "id": look.row.id if look.row else None,
        "gap": look.gap,
        "counts": look.counts,
        "entries": [_look(one) for one in look.looks],
        "pending": [_movement(one) for one in look.statement.pending],
    }


def _statement(one: Statement | BankStatement, entity_code: str) -> dict[str, Any]:
    names = ("statement_id", "message_id", "account", "currency", "since", "until")
    return {
        **{name: getattr(one, name) for name in names},
        "legal_entity": entity_code,
        "opening": amount_text(one.opening, one.currency),
        "closing": amount_text(one.closing, one.currency),
    }


def _movement(one: Movement) -> dict[str, Any]:
    names = ("booked_on", "value_on", "currency", "bank_reference", "end_to_end", "remittance")
    return {
        **{name: getattr(one, name) for name in (*names, "party", "party_account")},
        "amount": amount_text(one.amount, one.currency),
        "credit": one.is_credit,
        "reference": next(iter(one.references), ""),
    }


def _look(look: Look) -> dict[str, Any]:
    currency = look.movement.currency
    return {
        **_movement(look.movement),
        "fate": str(look.verdict.fate),
        "why": look.verdict.why,
        "customer": look.verdict.customer_id,
        "allocations": [
            {"document": number, "amount": amount_text(amount, currency)}
            for number, amount in look.verdict.parts
        ],
        "kept": amount_text(look.verdict.kept, currency),
        "entry": look.entry.id if look.entry else None,
        "suggestions": _suggestions(look.suggestions, currency),
    }


def _suggestions(found: Sequence[Suggestion], currency: str) -> list[dict[str, Any]]:
    return [
        {
            "customer": one.customer_id,
            "document": one.number,
            "left": amount_text(one.left, currency),
            "hints": [str(hint) for hint in one.hints],
        }
        for one in found
    ]


def shown_statements(rows: Sequence[BankStatement]) -> list[dict[str, Any]]:
    """Inside the scope: statements with the states of their entries."""
    states: Mapping[Any, Counter[str]] = entries.states_of([row.id for row in rows])
    names = ("id", "file_name", "file_sha256", "imported_at")
    return [
        {
            **_statement(row, row.legal_entity.code if row.legal_entity else ""),
            **{name: getattr(row, name) for name in names},
            "states": states[row.id],
        }
        for row in rows
    ]


def shown_entries(rows: Sequence[BankEntry]) -> list[dict[str, Any]]:
    """Inside the scope: entries, each that did not match with what it may pay."""
    movements = {row.id: entries.movement_of(row) for row in rows}
    open_rows = [row.id for row in rows if row.state == "unmatched"]
    found = judging.suggested([movements[row_id] for row_id in open_rows])
    may_be = dict(zip(open_rows, found, strict=True))
    names = ("id", "state", "why", "settled_at")
    return [
        {
            **_movement(movements[row.id]),
            **{name: getattr(row, name) for name in names},
            "statement": row.statement_id,
            "account": row.statement.account,
            "payment": row.payment_id,
            "refund": row.refund_id,
            "suggestions": _suggestions(may_be.get(row.id, ()), row.currency),
        }
        for row in rows
    ]
