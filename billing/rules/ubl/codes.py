"""The code lists that our documents use of EN 16931."""

from __future__ import annotations

# The core invoice of EN 16931-1:2017, without a restriction by country.
CUSTOMIZATION = "urn:cen.eu:en16931:2017"
# UNTDID 1001: commercial invoice, credit note.
TYPE_CODES = {"invoice": "380", "credit_note": "381"}
ROOT_NAMES = {"invoice": "Invoice", "credit_note": "CreditNote"}
# UNTDID 4451: reason.
REASON_CODE = "ACD"
# UNTDID 1001: invoicing data sheet, by which UBL marks the line's object.
LINE_OBJECT = "130"
# UNTDID 4461: credit transfer, SEPA credit transfer.
CREDIT_TRANSFER, SEPA_TRANSFER = "30", "58"
# Electronic address scheme: e-mail.
EMAIL_SCHEME = "EM"

NOT_SUBJECT = "O"
# UNTDID 5305 categories that need a reason, each with the words for one without, and the code of VATEX where it has one.
REASONS = {
    "E": ("Exempt from tax", ""),
    "AE": ("Reverse charge", "VATEX-EU-AE"),
    "K": ("Intra-community supply", "VATEX-EU-IC"),
    "G": ("Export outside the EU", "VATEX-EU-G"),
    NOT_SUBJECT: ("Not subject to VAT", "VATEX-EU-O"),
}
# The VATEX codes cite EU law, so only a seller of a member state gives them.
MEMBER_STATES = frozenset(
    [
        "AT",
        "BE",
        "BG",
        "CY",
        "CZ",
        "DE",
        "DK",
        "EE",
        "ES",
        "FI",
        "FR",
        "GR",
        "HR",
        "HU",
        "IE",
        "IT",
        "LT",
        "LU",
        "LV",
        "MT",
        "NL",
        "PL",
        "PT",
        "RO",
        "SE",
        "SI",
        "SK",
    ]
)
# VAT identifiers of Greece and Northern Ireland begin with a code of their own.
VAT_PREFIXES = MEMBER_STATES | {"EL", "XI"}

# UN/ECE Recommendation 20: day, month, service unit, one.
_DAY, _MONTH, _SERVICE, _ONE = "DAY", "MON", "E48", "C62"
# By the charge's rule.
_MONTHLY = frozenset({"unit_month", "site_month", "extra_unit"})
_UNITS = {"claw_back": _MONTH, "missed_service": _SERVICE, "visit": _SERVICE, "call_out": _SERVICE}


def unit_code(rule: str, of: str) -> str:
    """What a line's quantity counts: days of a month, whole months, services, or pieces."""
    if rule in _MONTHLY:
        return _MONTH if of == "1" else _DAY
    return _UNITS.get(rule, _ONE)
