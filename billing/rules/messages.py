"""The letters that go to customers by mail: plain English text, made of what a document says and of what is still open."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from billing.rules.documents import amount_text

WORDS = {"invoice": "invoice", "credit_note": "credit note", "opening": "invoice"}
_NAMES = {"invoice": "Invoice", "credit_note": "Credit note", "opening": "Invoice"}
_REMINDERS = (
    (
        "Reminder",
        "perhaps it was overlooked: {what} is still open.",
        "Please transfer it in the next days. If you have paid it already, thank you; then nothing is left to do.",
    ),
    (
        "Second reminder",
        "we reminded you before that {what} is still open.",
        "Please transfer it within a week, or tell us what keeps you from it.",
    ),
    (
        "Last reminder",
        "in spite of our reminders {what} is still open.",
        "Please transfer it at once, or tell us now if something about it is wrong: we will look into it.",
    ),
)
_LINK = "You can read it online, line by line, at\n{link}\nWhoever has this link can read it, so pass it on with care."
RULE = "-- "
# RFC 5322 asks for lines of no more than 78 characters.
MOST_COLUMNS = 76


@dataclass(frozen=True, slots=True)
class Sender:
    """Who writes, as it signs; empty where it is not known."""

    legal_name: str
    street: str = ""
    city: str = ""
    postcode: str = ""
    country: str = ""
    email: str = ""
    phone: str = ""
    vat_id: str = ""
    iban: str = ""
    bic: str = ""
    bank_name: str = ""


@dataclass(frozen=True, slots=True)
class About:
    """A document as a letter speaks of it. ``open`` is what is still to be paid of its ``payable``."""

    kind: str
    number: str
    issued_on: date
    due_on: date | None
    currency: str
    net: Decimal
    tax: Decimal
    payable: Decimal
    open: Decimal
    corrects: str = ""
    po_number: str = ""
    month: str = ""


@dataclass(frozen=True, slots=True)
class Message:
    subject: str
    text: str


def sender_of(document: Mapping[str, Any], legal_name: str) -> Sender:
    """Who issued a document, as it says itself; in ``legal_name`` where it says nothing."""
    said = document.get("issuer", {})
    known = {name: str(said[name] or "") for name in Sender.__dataclass_fields__ if name in said}
    return Sender(**{"legal_name": legal_name, **known})


def money_text(amount: Decimal, currency: str) -> str:
    """An amount with all minor units and its currency: "1,234.50 EUR"."""
    whole, dot, cents = amount_text(abs(amount), currency).partition(".")
    return f"{'-' if amount < 0 else ''}{int(whole):,}{dot}{cents} {currency}"


def date_text(day: date) -> str:
    return f"{day.day} {day:%B} {day.year}"


def in_one_line(text: str) -> str:
    """Without line ends, which no header of a mail may have."""
    return " ".join(text.split())


def document_subject(kind: str, number: str, legal_name: str) -> str:
    return in_one_line(f"{_NAMES[kind]} {number} from {legal_name}")


def document_message(about: About, to: str, sender: Sender, link: str, *, again: bool = False) -> Message:
    """The letter that a document is attached to."""
    word = WORDS[about.kind]
    month = f" for {about.month}" if about.month else ""
    asked = f"{money_text(about.payable, about.currency)}"
    if about.kind == "credit_note":
        lead = f"attached is our credit note {about.number}{month} over {asked}. You need not pay anything for it."
    else:
        due = f", to be paid by {date_text(about.due_on)}" if about.due_on else ""
        lead = f"attached is our invoice {about.number}{month} over {asked}{due}."
    if again:
        lead += f" It is a copy of the {word} of {date_text(about.issued_on)}, as you asked."
    facts = _facts(about)
    parts = [lead, facts, *_payment(about, sender), *_online(link), _CLOSING]
    return Message(document_subject(about.kind, about.number, sender.legal_name), _letter(to, parts, sender))


def reminder_subject(step: int, number: str, legal_name: str) -> str:
    return in_one_line(f"{_reminder(step)[0]}: invoice {number} from {legal_name}")


def reminder_message(about: About, step: int, to: str, sender: Sender, link: str) -> Message:
    """The letter of one step of reminding; steps beyond the third read as the third."""
    _, lead, ask = _reminder(step)
    what = f"our invoice {about.number} of {date_text(about.issued_on)} over {money_text(about.payable, about.currency)}"
    if about.open != about.payable:
        what = f"{money_text(about.open, about.currency)} of {what}"
    due = f"It was due on {date_text(about.due_on)}. " if about.due_on else ""
    parts = [lead.format(what=what), due + ask, _facts(about), *_payment(about, sender), *_online(link)]
    return Message(reminder_subject(step, about.number, sender.legal_name), _letter(to, parts, sender))


def _reminder(step: int) -> tuple[str, str, str]:
    return _REMINDERS[min(step, len(_REMINDERS)) - 1]


@dataclass(frozen=True, slots=True)
class Moved:
    """A row of a statement of account: what moved the balance on a day, and the balance after it."""

    on: date
    text: str
    amount: Decimal
    balance: Decimal


def statement_subject(since: date, until: date, legal_name: str) -> str:
    return in_one_line(f"Statement of account from {legal_name}, {date_text(since)} to {date_text(until)}")


@dataclass(frozen=True, slots=True)
class Account:
    """A customer's account in one currency: its balance before and after the rows, more than nothing is owed."""

    currency: str
    opening: Decimal
    rows: tuple[Moved, ...]
    closing: Decimal


def statement_message(
    accounts: Sequence[Account], subject: str, to: str, sender: Sender, link: str
) -> Message:
    """What moved a customer's account, and what is owed now; an account for each currency."""
    parts = ["here is how your account with us stands."]
    for account in accounts:
        parts += [f"In {account.currency}:\n" + _movements(account), _balance(account)]
    return Message(subject, _letter(to, [*parts, *_online(link), _CLOSING], sender))


def _balance(account: Account) -> str:
    closing = money_text(abs(account.closing), account.currency)
    if account.closing > 0:
        return f"You owe us {closing}."
    return f"You have {closing} in credit with us." if account.closing else "You owe us nothing."


def _movements(account: Account) -> str:
    rows = [
        ("", "Opening balance", "", account.opening),
        *(
            (str(row.on), row.text, amount_text(row.amount, account.currency), row.balance)
            for row in account.rows
        ),
        ("", "Closing balance", "", account.closing),
    ]
    return "\n".join(
        f"{on:<10}  {in_one_line(text)[:34]:<34}  {amount:>12}  {amount_text(balance, account.currency):>12}"
        for on, text, amount, balance in rows
    )


@dataclass(frozen=True, slots=True)
class NewPrice:
    """A price that changes on a day: of what, from what (None: there was none) and to what."""

    item: str
    before: Decimal | None
    after: Decimal
    currency: str
    effective_from: date
    contract: str = ""
    site: str = ""


def price_subject(effective_from: date, legal_name: str) -> str:
    return in_one_line(f"New price from {date_text(effective_from)}, from {legal_name}")


def price_message(change: NewPrice, to: str, sender: Sender) -> Message:
    """The letter that announces a new price before it takes effect."""
    before = f" instead of {_price(change.before, change.currency)}" if change.before is not None else ""
    under = f" under your contract {change.contract}" if change.contract else ""
    at = f" at {change.site}" if change.site else ""
    lead = (
        f"from {date_text(change.effective_from)} on, {change.item}{under}{at} costs "
        f"{_price(change.after, change.currency)}{before}, net of tax."
    )
    stays = "All else that we agreed stays as it is. What was done before that day is billed at the price of its day."
    return Message(
        price_subject(change.effective_from, sender.legal_name), _letter(to, [lead, stays, _CLOSING], sender)
    )


def _price(amount: Decimal, currency: str) -> str:
    """A price of up to six decimals, with at least the currency's minor units."""
    shown = amount_text(amount, currency)
    return f"{shown if Decimal(shown) == amount else format(amount.normalize(), 'f')} {currency}"


_CLOSING = "If anything is unclear or wrong, please answer this mail."


def _facts(about: About) -> str:
    """The figures of a document under each other."""
    rows = [(_NAMES[about.kind], about.number), ("Issued", date_text(about.issued_on))]
    if about.due_on and about.kind != "credit_note":
        rows.append(("Due", date_text(about.due_on)))
    if about.corrects:
        rows.append(("Corrects", about.corrects))
    if about.po_number:
        rows.append(("Your order", about.po_number))
    if about.tax:
        rows += [
            ("Net", money_text(about.net, about.currency)),
            ("Tax", money_text(about.tax, about.currency)),
        ]
    rows.append(("Total", money_text(about.payable, about.currency)))
    if about.kind != "credit_note" and about.open != about.payable:
        rows.append(("Still open", money_text(about.open, about.currency)))
    return "\n".join(f"  {name:<11} {value}" for name, value in rows)


def _payment(about: About, sender: Sender) -> list[str]:
    """Where to pay, for what is to be paid."""
    if about.kind == "credit_note" or about.open <= 0 or not sender.iban:
        return []
    bank = ", ".join(part for part in (sender.bank_name, f"BIC {sender.bic}" if sender.bic else "") if part)
    rows = [
        ("To", sender.legal_name),
        ("IBAN", _in_fours(sender.iban)),
        ("Bank", bank),
        ("Reference", about.number),
    ]
    return ["Please pay\n" + "\n".join(f"  {name:<11} {value}" for name, value in rows if value)]


def _in_fours(iban: str) -> str:
    """As ISO 13616 prints it: groups of four."""
    packed = iban.replace(" ", "")
    return " ".join(packed[place : place + 4] for place in range(0, len(packed), 4))


def _online(link: str) -> list[str]:
    return [_LINK.format(link=link)] if link else []


def _letter(to: str, parts: Sequence[str], sender: Sender) -> str:
    city = " ".join(part for part in (sender.postcode, sender.city) if part)
    address = ", ".join(part for part in (sender.street, city, sender.country) if part)
    reach = ", ".join(part for part in (sender.email, sender.phone) if part)
    signed = [sender.legal_name, address, reach, f"VAT {sender.vat_id}" if sender.vat_id else ""]
    wrapped = [part if "\n" in part else textwrap.fill(part, MOST_COLUMNS) for part in parts]
    return (
        "\n\n".join(
            [
                f"Dear {in_one_line(to)},",
                *wrapped,
                "With kind regards",
                "\n".join([RULE, *(line for line in signed if line)]),
            ]
        )
        + "\n"
    )
