"""What codes of billing are called: kinds of documents, series and lines, ways to pay, why what is charged is not billed."""

from __future__ import annotations

from accounts.languages import N_, _

DOCUMENTS = {
    "invoice": N_("invoice"),
    "credit_note": N_("credit note"),
    "opening": N_("debt brought forward"),
}
SERIES = {"invoice": N_("invoices"), "credit_note": N_("credit notes")}
FIXTURES = {"": N_("any"), "urinal": N_("urinal"), "water_closet": N_("water closet")}
LINES = {"regular": N_("regular"), "late": N_("late"), "credit": N_("credit")}
METHODS = {
    "transfer": N_("transfer"),
    "card": N_("card"),
    "cash": N_("cash"),
    "cheque": N_("cheque"),
    "other": N_("other"),
}
# What became of an event, as the log tells it.
STANDINGS = {"superseded": N_("superseded"), "clock_ahead": N_("clock ahead")}
BASES = {"billed": N_("billed"), "collected": N_("collected")}
ACCOUNTS = {
    "bank": N_("Bank"),
    "cash": N_("Cash"),
    "receivable": N_("Receivable"),
    "prepayment": N_("Prepayment"),
    "deferred_revenue": N_("Deferred revenue"),
    "tax": N_("Tax"),
    "royalty_payable": N_("Royalty payable"),
    "fund_payable": N_("Fund payable"),
    "opening": N_("Opening"),
    "revenue": N_("Revenue"),
    "cash_rounding": N_("Cash rounding"),
    "royalty": N_("Royalty"),
    "fund": N_("Fund"),
}


def method_word(method: str) -> str:
    """How a payment came."""
    return _(METHODS.get(method, method))


def line_word(kind: str) -> str:
    """The kind of a document's line."""
    return _(LINES.get(kind, kind))
