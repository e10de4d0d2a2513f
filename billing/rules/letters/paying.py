"""How a letter asks for payment, and the code that fills in a bank transfer."""

from __future__ import annotations

import io
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

import segno.helpers

from accounts.languages import _
from billing.rules.bank.references import printed, rf_reference
from billing.rules.letters import amounts

# Quick response code for SEPA credit transfers, European Payments Council, EPC069-12: euros, up to this amount, and so
# many characters of the payee's name.
_MOST, _NAME_LENGTH = Decimal("999999999.99"), 70


def payment(document: Mapping[str, Any]) -> dict[str, Any]:
    """The sentence, the rows of what a transfer needs, and the code as SVG ("" where there is none)."""
    if document["document"] == "credit_note":
        return {"sentence": _set_off(document), "rows": [], "code": ""}
    if Decimal(document["payable"]) <= 0:
        return {"sentence": _("Nothing is to be paid."), "rows": [], "code": ""}
    issuer = document["issuer"]
    payable = amounts.money(document["payable"], document["currency"])
    sentence = (
        _("Please pay {amount} by {day}, quoting {number}.")
        if document["due_on"]
        else _("Please pay {amount} on receipt, quoting {number}.")
    )
    iban = "".join(issuer["iban"].split())
    reference = (_("Reference"), printed(rf_reference(document["number"])) or document["number"])
    rows = [
        (_("Payee"), issuer["legal_name"]),
        ("IBAN" if iban[:2].isalpha() else _("Account"), amounts.account(iban)),
        ("BIC", issuer["bic"]),
        (_("Bank"), issuer["bank_name"]),
        reference,
    ]
    if not iban:
        rows = [reference]
    return {
        "sentence": sentence.format(
            amount=payable,
            day=amounts.weekday(document["due_on"]) if document["due_on"] else "",
            number=document["number"],
        ),
        "rows": [[label, text] for label, text in rows if text],
        "code": transfer_code(document),
    }


def _set_off(document: Mapping[str, Any]) -> str:
    corrects = document["references"]["corrects"]
    if corrects is None:
        return _("This amount is set off against your open invoices; any remainder stays to your credit.")
    return _(
        "This amount is set off against invoice {number}; any remainder stays to your credit.",
        number=corrects["number"],
    )


def transfer_code(document: Mapping[str, Any]) -> str:
    """The code for a banking app, or "" where the standard or the account has none."""
    issuer, payable = document["issuer"], Decimal(document["payable"])
    if document["currency"] != "EUR" or not issuer["iban"] or not 0 < payable <= _MOST:
        return ""
    reference = rf_reference(document["number"])
    try:
        code = segno.helpers.make_epc_qr(
            name=issuer["legal_name"][:_NAME_LENGTH],
            iban=issuer["iban"],
            amount=payable,
            # The standard has a place for either: a creditor's reference, or words.
            reference=reference or None,
            text=None if reference else document["number"],
            bic="".join(issuer["bic"].split()) or None,
        )
    except ValueError:  # an account that is no IBAN
        return ""
    image = io.BytesIO()
    code.save(image, kind="svg", border=0, xmldecl=False, svgclass=None, lineclass=None)
    return image.getvalue().decode()
