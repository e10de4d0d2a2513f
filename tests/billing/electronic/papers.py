"""Frozen documents as they are issued, drawn from a seed over all rules: what UBL and letters are made of.

The figures are computed here by the stated policy (line by line, then tax group by group, half away from zero), with
code of its own; ``recomputing`` checks what is written of them with other code.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal
from random import Random
from typing import Any
from uuid import UUID

MINOR_UNITS = {"EUR": 2, "JPY": 0, "KWD": 3, "USD": 2, "DKK": 2, "GBP": 2}
# The smallest amount: EN 16931 knows two decimals, so dinars go by hundredths.
STEPS = {0: Decimal(1), 2: Decimal("0.01"), 3: Decimal("0.01")}

ISSUERS = {
    "EUR": {"country": "DE", "vat_id": "DE123456788", "city": "Lindhafen", "postcode": "21039"},
    "JPY": {"country": "JP", "vat_id": "T1234567890123", "city": "Sakuragaoka", "postcode": "150-0001"},
    "KWD": {"country": "KW", "vat_id": "KW300012345600003", "city": "Al Bahr", "postcode": "13001"},
}
CATEGORIES = ("S", "Z", "E", "AE", "K", "G", "O")
RULES = (
    "event",
    "install",
    "unit_month",
    "site_month",
    "extra_unit",
    "visit",
    "call_out",
    "visit_minimum",
    "invoice_minimum",
    "missed_service",
    "claw_back",
)
DAYS = {"unit_month", "site_month", "extra_unit"}
SITES = (
    ("HARBOUR", "Harbour Arcade & Pier", "CC-410"),
    ("MILL-2", "Old Mill <North>", ""),
    ("KASTANIE", 'Gasthaus "Zur Kastanie"', "7000/12"),
)


def party(**values: Any) -> dict[str, Any]:
    empty = dict.fromkeys(("street", "city", "postcode", "subdivision", "country", "vat_id", "email"), "")
    return empty | values


def issuer(currency: str = "EUR", **values: Any) -> dict[str, Any]:
    known = {
        "legal_name": "Nordlicht Hygiene GmbH",
        "street": "Am Speicher 4",
        "registration": "HRB 40417",
        "regime": "vat",
        "iban": "DE02 1203 0000 0000 2020 51",
        "bic": "BYLADEM1001",
        "bank_name": "Hafenbank Lindhafen",
        "email": "invoices@nordlicht.example",
        "phone": "+49 40 5550 4417",
    }
    return party() | known | ISSUERS.get(currency, {}) | values


def customer(**values: Any) -> dict[str, Any]:
    known = {
        "code": "C-0107",
        "name": "Brückner & Söhne Gastronomie KG",
        "address": "Kaiweg 12\n21039 Lindhafen",
        "street": "Kaiweg 12",
        "city": "Lindhafen",
        "postcode": "21039",
        "country": "DE",
        "vat_id": "DE987654329",
        "buyer_reference": "EK-2026/7",
        "email": "ap@bruckner.example",
    }
    return party() | known | values


def amount_text(amount: Decimal, currency: str) -> str:
    return format(amount.quantize(Decimal(1).scaleb(-MINOR_UNITS[currency])), "f")


def rounded(amount: Decimal, currency: str) -> Decimal:
    return amount.quantize(STEPS[MINOR_UNITS[currency]], rounding=ROUND_HALF_UP)


def line(number: int, **values: Any) -> dict[str, Any]:
    known = {
        "line": number,
        "kind": "regular",
        "rule": "event",
        "clause": "price_list",
        "charge": f"{number:064x}",
        "event": str(UUID(int=number)),
        "agreement": "SA-2026-0042",
        "contract": "CT-0008",
        "item": {"code": "wick", "name": "Wick changed"},
        "unit": "WR-A7K2-9",
        "place": "Ground floor, gents, urinal 2",
        "site": {"code": "HARBOUR", "name": "Harbour Arcade & Pier"},
        "cost_centre": "",
        "po": "",
        "service_on": "2026-04-14",
        "period": {"start": "2026-04-14", "end_exclusive": "2026-04-15"},
        "quantity": {"part": "1", "of": "1"},
        "unit_price": "12.5",
        "amount": "12.50",
        "tax": {"class": "standard", "category": "S", "rate": "19", "jurisdiction": "DE"},
        "account": "4400",
        "in_advance": False,
        "credits": None,
    }
    return known | values


def paper(lines: Iterable[dict[str, Any]], *, currency: str = "EUR", **values: Any) -> dict[str, Any]:
    """A document of these lines with its groups and totals; ``values`` replace whole members."""
    lines = list(lines)
    groups = _groups(lines, currency, values.pop("reasons", {}))
    net = sum((Decimal(line["amount"]) for line in lines), Decimal(0))
    tax = sum((Decimal(group["tax"]) for group in groups), Decimal(0))
    rounding = values.pop("cash_rounding", Decimal(0))
    known = {
        "document": "invoice",
        "engine": "wickround-billing/2",
        "number": "INV-000123",
        "issued_on": "2026-05-02",
        "due_on": "2026-06-01",
        "currency": currency,
        "minor_units": MINOR_UNITS[currency],
        "month": "2026-04",
        "period": {"start": "2026-04-01", "end_exclusive": "2026-05-01"},
        "issuer": issuer(currency),
        "customer": customer(),
        "references": {"contract": "CT-0008", "po": "4500017723", "corrects": None},
        "reason": "",
        "rounding": {"policy": "half-away-from-zero/line/1", "tax_basis": "invoice"},
        "lines": lines,
        "tax_groups": groups,
        "net": amount_text(net, currency),
        "tax": amount_text(tax, currency),
        "total": amount_text(net + tax, currency),
        "cash_rounding": amount_text(rounding, currency),
        "payable": amount_text(net + tax + rounding, currency),
        "note": "",
        "previous_sha256": "",
    }
    return known | values


def credit_note(lines: Iterable[dict[str, Any]], *, currency: str = "EUR", **values: Any) -> dict[str, Any]:
    known = {
        "document": "credit_note",
        "number": "CRN-000009",
        "due_on": None,
        "references": {
            "contract": "CT-0008",
            "po": "4500017723",
            "corrects": {"number": "INV-000123", "issued_on": "2026-05-02"},
        },
        "reason": "Wicks were changed under warranty.",
    }
    return paper(lines, currency=currency, **(known | values))


def _groups(lines: list[dict[str, Any]], currency: str, reasons: dict[str, str]) -> list[dict[str, Any]]:
    bases: dict[tuple[str, str | None, str], Decimal] = {}
    for given in lines:
        tax = given["tax"]
        if tax:
            key = (tax["category"], tax["rate"], tax["jurisdiction"])
            bases[key] = bases.get(key, Decimal(0)) + Decimal(given["amount"])
    return [
        {
            "category": category,
            "rate": rate,
            "jurisdiction": jurisdiction,
            "name": "VAT",
            "reason": reasons.get(category, ""),
            "base": amount_text(base, currency),
            "tax": amount_text(rounded(base * Decimal(rate or 0) / 100, currency), currency),
        }
        for (category, rate, jurisdiction), base in sorted(bases.items(), key=lambda item: str(item[0]))
    ]


# -- drawn from a seed ---------------------------------------------------------------------------------------------


def drawn(seed: int) -> dict[str, Any]:
    """A document: the seed chooses currency, kind, tax, rules, references, and how many lines."""
    random = Random(seed)
    currency = ("EUR", "EUR", "JPY", "KWD")[seed % 4]
    kind = random.choice(("invoice", "invoice", "credit_note"))
    sole = CATEGORIES[seed % len(CATEGORIES)]
    mixed = [sole] if sole == "O" or random.random() < 0.3 else [sole, *random.sample(("S", "Z", "E"), 2)]
    lines = [
        _drawn_line(random, number, currency, kind, random.choice(mixed))
        for number in range(1, random.choice((1, 2, 3, 7, 25)) + 1)
    ]
    if (
        kind == "invoice" and sum(Decimal(given["amount"]) for given in lines) < 0
    ):  # such lines wait for others
        fee = Decimal(sum(abs(Decimal(given["amount"])) for given in lines))
        tax = {"class": "standard", "category": sole, "rate": _rate(random, sole), "jurisdiction": "DE"}
        number = len(lines) + 1
        lines.append(line(number, unit_price=_plain(fee), amount=amount_text(fee, currency), tax=tax))
    po = random.choice(("", "4500017723"))
    contract = random.choice(("", "CT-0008"))
    for given in lines:
        given["po"] = po or random.choice(("", "4500018001"))
        given["contract"] = contract or random.choice(("", "CT-0009"))
    make = paper if kind == "invoice" else credit_note
    made = make(
        lines,
        currency=currency,
        issuer=_drawn_issuer(random, currency, {line["tax"]["category"] for line in lines}),
        customer=_drawn_customer(random),
        reasons={"E": "Exempt under article 13"} if random.random() < 0.5 else {},
        cash_rounding=random.choice((Decimal(0), Decimal(0), Decimal("-0.02"), Decimal("0.03")))
        if currency == "EUR"
        else Decimal(0),
    )
    corrects = made["references"]["corrects"]
    made["references"] = {"contract": contract, "po": po, "corrects": corrects}
    return made


def _drawn_issuer(random: Random, currency: str, categories: set[str]) -> dict[str, Any]:
    values = random.choice(({}, {"registration": ""}, {"iban": "", "bic": ""}, {"email": "", "phone": ""}))
    # Only a VAT identifier by country may sell into the Union or export under these categories.
    if categories & {"K", "G"} and currency == "JPY":
        values = values | {"country": "NL", "vat_id": "NL123456789B01"}
    return issuer(currency, **values)


def _drawn_customer(random: Random) -> dict[str, Any]:
    return customer(
        **random.choice(
            (
                {},
                {
                    "country": "FR",
                    "vat_id": "FR40303265045",
                    "subdivision": "Bretagne",
                    "buyer_reference": "",
                },
                {"street": "", "city": "", "postcode": "", "email": ""},
                {"name": "Café 東屋 <& Co>\t\x0b", "country": "GR", "vat_id": "EL123456783"},
            )
        )
    )


def _drawn_line(random: Random, number: int, currency: str, kind: str, category: str) -> dict[str, Any]:
    rule = random.choice(RULES)
    code, name, cost_centre = random.choice(SITES)
    of = {"claw_back": 12, "missed_service": 4}.get(rule, random.choice((28, 30, 31)) if rule in DAYS else 1)
    part = Decimal(random.randrange(1, 2 * of + 1)) / (2 if rule in DAYS else 1)
    part = min(part, Decimal(of)) if of > 1 else Decimal(random.choice((1, 1, 2)))
    line_kind = random.choice(("regular", "regular", "late", "credit"))
    if kind == "invoice" and (line_kind == "credit" or rule in {"missed_service", "claw_back"}):
        part, line_kind = (part, line_kind) if rule == "claw_back" else (-part, "credit")
    price = Decimal(random.choice(("30", "12.5", "7.333333", "0.005", "100.5", "348.11", "45", "0")))
    price *= 100 if currency == "JPY" else 1
    amount = rounded(price * part / of, currency)
    if random.random() < 0.2:  # one unit of what a split left over, or the difference of two rounded amounts
        amount += random.choice((1, -1)) * STEPS[MINOR_UNITS[currency]]
    start = date(2026, 3 if line_kind == "late" else 4, random.randrange(1, 28))
    days = random.randrange(1, 31) if rule in DAYS else 1
    back = kind == "credit_note" or (line_kind == "credit" and random.random() < 0.5)
    return line(
        number,
        kind=line_kind,
        rule=rule,
        item={"code": rule.replace("_", "-"), "name": rule.replace("_", " ").capitalize()},
        event=str(UUID(int=random.getrandbits(128))) if rule == "event" else None,
        unit="" if rule in {"site_month", "visit", "invoice_minimum"} else "WR-A7K2-9",
        place="" if rule in {"site_month", "visit", "invoice_minimum"} else "Ground floor, gents, urinal 2",
        site=None if rule == "invoice_minimum" else {"code": code, "name": name},
        cost_centre=cost_centre,
        service_on=str(start),
        period={"start": str(start), "end_exclusive": str(start + timedelta(days=days))},
        quantity={"part": _plain(part), "of": of},
        unit_price=_plain(price),
        amount=amount_text(amount, currency),
        tax={
            "class": "standard",
            "category": category,
            "rate": _rate(random, category),
            "jurisdiction": "DE",
        },
        credits={"number": "INV-000101", "line": number} if back else None,
    )


def _rate(random: Random, category: str) -> str | None:
    return {"S": random.choice(("19", "7.5", "25")), "O": None}.get(category, "0")


def _plain(number: Decimal) -> str:
    text = format(number, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text
