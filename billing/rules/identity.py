"""How identifiers of sellers, buyers and places look, and the check digits of a bank account."""

from __future__ import annotations

import re

from accounts.languages import N_

COUNTRY = re.compile(r"[A-Z]{2}\Z")  # ISO 3166-1 alpha-2
JURISDICTION = re.compile(r"[A-Z]{2}(-[A-Z0-9-]{0,16}[A-Z0-9])?\Z")
JURISDICTION_MEANING = N_(
    "A tax jurisdiction is a country of ISO 3166-1, and parts of it after dashes: DE, US-CO, US-CO-MILL-POND."
)
VAT_ID = re.compile(r"[A-Z]{2}[A-Z0-9+*.]{2,28}\Z")
VAT_ID_MEANING = N_("A VAT identifier begins with its country's two capital letters: DE123456789.")
# An account of the ledger, as an item names it for its revenue.
ACCOUNT = re.compile(r"[A-Za-z0-9][A-Za-z0-9.-]{0,19}\Z")
ACCOUNT_MEANING = N_("An account's number has up to 20 letters, digits, dots and dashes.")
_IBAN = re.compile(r"[A-Z]{2}\d{2}[A-Z0-9]{11,30}\Z")
_BIC = re.compile(r"[A-Z]{6}[A-Z0-9]{2}([A-Z0-9]{3})?\Z")  # ISO 9362:2014


def is_iban(text: str) -> bool:
    """Whether a text, without spaces, is an IBAN whose check digits are right (ISO 13616, ISO 7064 MOD 97-10)."""
    if not _IBAN.match(text):
        return False
    digits = "".join(str(int(sign, 36)) for sign in text[4:] + text[:4])
    return int(digits) % 97 == 1


def is_bic(text: str) -> bool:
    """Whether a text has the form of a business identifier code (ISO 9362)."""
    return bool(_BIC.match(text))
