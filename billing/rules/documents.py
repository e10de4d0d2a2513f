"""The frozen customer document: its content, its canonical bytes, its digest."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

import orjson

from accounts.languages import N_, Manner, _, known_locale, manner
from billing.rules.crediting import Credit, CreditLine
from billing.rules.drafting import Draft, DraftLine
from billing.rules.inputs import Customer, Inputs
from billing.rules.money import minor_units, policy_for, rounded_to, smallest, step_of
from billing.rules.parties import Entity, Profile
from billing.rules.rating import Charge, month_after
from billing.rules.tax import TaxGroup, tax_groups

ENGINE = "wickround-billing/2"
NET_NOTE = N_("All amounts are net; tax is not included.")


@dataclass(frozen=True, slots=True)
class Heading:
    """What a document says beside its lines. ``previous_sha256`` is the digest before it in its series, "" at first.

    ``month`` is None on a credit note by hand, ``due_on`` where nothing is to be paid.
    """

    number: str
    issued_on: date
    month: date | None
    previous_sha256: str
    due_on: date | None = None
    reason: str = ""


def invoice(heading: Heading, draft: Draft, inputs: Inputs) -> dict[str, Any]:
    """An invoice as plain JSON: ids, dates and decimals as text, amounts in the currency's minor units."""
    entity, currency = draft.entity, draft.currency
    policy = policy_for(currency, e_invoicing=entity.is_e_invoicing)
    groups = tax_groups(
        ((line.amount, line.tax) for line in draft.lines),
        step=step_of(policy, currency),
        basis=entity.tax_basis,
    )
    net, tax = draft.net, sum((group.tax for group in groups), Decimal(0))
    payable = payable_of(net + tax, entity, currency)
    return {
        **_head("invoice", heading, currency),
        "issuer": issuer(entity),
        "customer": buyer(inputs.customers[draft.payer_id], inputs.profile_of(draft.payer_id)),
        "references": {"contract": draft.contract_number, "po": draft.po_number, "corrects": None},
        "rounding": {"policy": policy, "tax_basis": entity.tax_basis},
        "lines": [_line(number, line) for number, line in enumerate(draft.lines, start=1)],
        **_sums(groups, net, tax, payable, currency),
        "note": _(NET_NOTE) if entity.regime == "none" else "",
    }


def credit_note(
    heading: Heading,
    original: Mapping[str, Any],
    credit: Credit,
    of_charges: Mapping[int, Charge] | None = None,
) -> dict[str, Any]:
    """What a credit gives back of an invoice, as plain JSON. Amounts are what is given back: positive.

    Parties, references and rounding are those of the invoice. ``of_charges`` gives, by line of the credit, the charge
    row that takes back what was billed; a line without one was chosen by hand and says what its original said.
    """
    currency = original["currency"]
    charges = of_charges or {}
    reference = {"number": original["number"], "issued_on": original["issued_on"]}
    by_number = {line["line"]: line for line in original["lines"]}
    return {
        **_head("credit_note", heading, currency),
        **({} if heading.month else {"period": original["period"]}),
        "issuer": original["issuer"],
        "customer": original["customer"],
        "references": {**original["references"], "corrects": reference},
        "rounding": original["rounding"],
        "lines": [
            _credit_line(number, line, by_number[line.line], original, charges.get(number))
            for number, line in enumerate(credit.lines, start=1)
        ],
        **_sums(credit.groups, credit.net, credit.tax, credit.payable, currency),
        "note": original["note"],
    }


def payable_of(total: Decimal, entity: Entity, currency: str) -> Decimal:
    """What is to be paid of a total: rounded to the seller's cash step, in its own currency only."""
    if not entity.cash_rounding or currency != entity.currency:
        return total
    return rounded_to(total, entity.cash_rounding)


def issuer(entity: Entity) -> dict[str, str]:
    names = "legal_name street city postcode subdivision country vat_id registration regime iban bic bank_name email phone"
    return {name: getattr(entity, name) for name in names.split()}


def buyer(customer: Customer, profile: Profile) -> dict[str, str]:
    return {
        "code": customer.code,
        "name": customer.name,
        "address": customer.address,
        "street": profile.street,
        "city": profile.city,
        "postcode": profile.postcode,
        "subdivision": profile.subdivision,
        "country": customer.country,
        "vat_id": profile.vat_id,
        "buyer_reference": profile.buyer_reference,
        "email": customer.billing_email,
    }


def spoken() -> dict[str, str]:
    """The language that a document is written in, a tag of BCP 47; nothing for English, the language of most."""
    return {} if manner().language == "en" else {"language": known_locale(manner().locale)}


def manner_of(document: Mapping[str, Any]) -> Manner:
    """How a document is read out: as it was written, whoever reads it."""
    return Manner(document["language"]) if "language" in document else Manner()


def _head(kind: str, heading: Heading, currency: str) -> dict[str, Any]:
    month = heading.month
    return {
        **spoken(),
        "document": kind,
        "engine": ENGINE,
        "number": heading.number,
        "issued_on": str(heading.issued_on),
        "due_on": str(heading.due_on) if heading.due_on else None,
        "currency": currency,
        "minor_units": minor_units(currency),
        "month": f"{month:%Y-%m}" if month else None,
        "period": {"start": str(month), "end_exclusive": str(month_after(month))} if month else None,
        "reason": heading.reason,
        "previous_sha256": heading.previous_sha256,
    }


def _sums(
    groups: Iterable[TaxGroup], net: Decimal, tax: Decimal, payable: Decimal, currency: str
) -> dict[str, Any]:
    total = net + tax
    return {
        "tax_groups": [
            {
                "category": group.category,
                "rate": decimal_text(group.rate),
                "jurisdiction": group.jurisdiction,
                "name": group.name,
                "reason": group.reason,
                "base": amount_text(group.base, currency),
                "tax": amount_text(group.tax, currency),
            }
            for group in groups
        ],
        "net": amount_text(net, currency),
        "tax": amount_text(tax, currency),
        "total": amount_text(total, currency),
        "cash_rounding": amount_text(payable - total, currency),
        "payable": amount_text(payable, currency),
    }


def _line(number: int, drafted: DraftLine) -> dict[str, Any]:
    tax = drafted.tax
    return {
        **said_of(drafted.line.charge),
        "line": number,
        "kind": str(drafted.line.kind),
        "cost_centre": drafted.cost_centre,
        "po": drafted.po,
        "tax": {
            "class": tax.tax_class,
            "category": tax.category,
            "rate": decimal_text(tax.rate),
            "jurisdiction": tax.jurisdiction,
        }
        if tax
        else None,
        "credits": None,
    }


def said_of(charge: Charge, *, sign: int = 1) -> dict[str, Any]:
    """What a line says that its charge knows; ``sign`` -1 where the charge takes back and the line gives back."""
    return {
        "rule": str(charge.rule),
        "clause": charge.clause,
        "charge": charge.key,
        "event": str(charge.event_id) if charge.event_id else None,
        "agreement": charge.agreement_number,
        "contract": charge.contract_number,
        "item": {"code": charge.item_code, "name": charge.item_name},
        "unit": charge.unit_code,
        "place": charge.place,
        "site": {"code": charge.site_code, "name": charge.site_name} if charge.site_id else None,
        "service_on": str(charge.service_on),
        "period": {"start": str(charge.starts_on), "end_exclusive": str(charge.ends_before)},
        "quantity": {"part": decimal_text(sign * charge.part), "of": charge.whole},
        "unit_price": decimal_text(charge.unit_price),
        "amount": amount_text(sign * charge.amount, charge.currency),
        "account": charge.revenue_account,
        "in_advance": charge.in_advance,
    }


def _credit_line(
    number: int,
    credited: CreditLine,
    line: Mapping[str, Any],
    original: Mapping[str, Any],
    charge: Charge | None,
) -> dict[str, Any]:
    amount = amount_text(credited.amount, original["currency"])
    said = dict(line)
    if charge is not None:
        said |= said_of(charge, sign=-1)
    elif amount != line["amount"]:
        # A part of a line: so much once, since no share of the days or pieces was said.
        said |= {"quantity": {"part": "1", "of": 1}, "unit_price": decimal_text(credited.amount)}
    return said | {
        "line": number,
        "kind": "credit",
        "amount": amount,
        "credits": {"number": original["number"], "line": credited.line},
    }


def amount_text(amount: Decimal, currency: str) -> str:
    """An amount with all its minor units: "12.50" EUR, "12" JPY, "12.500" KWD."""
    return format(amount.quantize(smallest(currency)), "f")


def decimal_text(number: Decimal) -> str:
    """A decimal without trailing zeros and never in exponent form."""
    text = format(number, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def canonical_bytes(data: Mapping[str, Any]) -> bytes:
    """JSON with sorted keys and no white space in UTF-8: the form of RFC 8785 for texts, whole numbers and null."""
    return orjson.dumps(data, option=orjson.OPT_SORT_KEYS)


def digest(data: Mapping[str, Any]) -> str:
    return hashlib.sha256(canonical_bytes(data)).hexdigest()
