"""Double entry as pure functions: what each document, payment and day is booked as."""

from __future__ import annotations

from enum import StrEnum


class Purpose(StrEnum):
    """Why an entry was made."""

    INVOICE = "invoice"
    CREDIT_NOTE = "credit_note"
    PAYMENT = "payment"
    SETTLEMENT = "settlement"
    RELEASE = "release"
    OPENING = "opening"
    ROUNDING = "rounding"
    ROYALTY = "royalty"
    FUND = "fund"
