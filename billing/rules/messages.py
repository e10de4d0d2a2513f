"""The letters that go to customers by mail: plain text in the language of the moment, made of what a document says and of what is still open."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from babel.numbers import get_decimal_symbol

from accounts import phrases
from accounts.languages import N_, _, cldr, manner
from billing.rules.dating import full_day, plain_day
from billing.rules.documents import amount_text

_NAMES = {"invoice": N_("Invoice"), "credit_note": N_("Credit note"), "opening": N_("Invoice")}
_SUBJECTS = {
    "invoice": N_("Invoice {number} from {name}"),
    "credit_note": N_("Credit note {number} from {name}"),
    "opening": N_("Invoice {number} from {name}"),
}
_REMINDERS = (
    (
        N_("Reminder: invoice {number} from {name}"),
        N_("perhaps it was overlooked: {what} is still open."),
        N_(
            "Please transfer it in the next days. If you have paid it already, thank you; then nothing is left to do."
        ),
    ),
    (
        N_("Second reminder: invoice {number} from {name}"),
        N_("we reminded you before that {what} is still open."),
        N_("Please transfer it within a week, or tell us what keeps you from it."),
    ),
    (
        N_("Last reminder: invoice {number} from {name}"),
        N_("in spite of our reminders {what} is still open."),
        N_(
            "Please transfer it at once, or tell us now if something about it is wrong: we will look into it."
        ),
    ),
)
_LINK = (
    N_("You can read it online, line by line, at"),
    N_("Whoever has this link can read it, so pass it on with care."),
)
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
    return f"{'-' if amount < 0 else ''}{phrases.amount(amount_text(abs(amount), currency))} {currency}"


def in_one_line(text: str) -> str:
    """Without line ends, which no header of a mail may have."""
    return " ".join(text.split())


def document_subject(kind: str, number: str, legal_name: str) -> str:
    return in_one_line(_(_SUBJECTS[kind], number=number, name=legal_name))


def document_message(about: About, to: str, sender: Sender, link: str, *, again: bool = False) -> Message:
    """The letter that a document is attached to."""
    lead = _attached(about)
    if again:
        lead = f"{lead} {_copy(about)}"
    parts = [lead, _facts(about), *_payment(about, sender), *_online(link), _(_CLOSING)]
    return Message(document_subject(about.kind, about.number, sender.legal_name), _letter(to, parts, sender))


def _attached(about: About) -> str:
    """What is attached, for which month, over how much, and by when it is to be paid."""
    if about.kind == "credit_note":
        sentence = (
            _(
                "attached is our credit note {number} for {month} over {amount}. You need not pay anything for it."
            )
            if about.month
            else _("attached is our credit note {number} over {amount}. You need not pay anything for it.")
        )
    elif about.due_on is None:
        sentence = (
            _("attached is our invoice {number} for {month} over {amount}.")
            if about.month
            else _("attached is our invoice {number} over {amount}.")
        )
    else:
        sentence = (
            _("attached is our invoice {number} for {month} over {amount}, to be paid by {day}.")
            if about.month
            else _("attached is our invoice {number} over {amount}, to be paid by {day}.")
        )
    return sentence.format(
        number=about.number,
        month=about.month,
        amount=money_text(about.payable, about.currency),
        day=full_day(about.due_on) if about.due_on else "",
    )


def _copy(about: About) -> str:
    issued_on = full_day(about.issued_on)
    if about.kind == "credit_note":
        return _("It is a copy of the credit note of {day}, as you asked.", day=issued_on)
    return _("It is a copy of the invoice of {day}, as you asked.", day=issued_on)


def reminder_subject(step: int, number: str, legal_name: str) -> str:
    return in_one_line(_(_reminder(step)[0], number=number, name=legal_name))


def reminder_message(about: About, step: int, to: str, sender: Sender, link: str) -> Message:
    """The letter of one step of reminding; steps beyond the third read as the third."""
    _subject, lead, ask = _reminder(step)
    sentence = (
        _("our invoice {number} of {day} over {amount}")
        if about.open == about.payable
        else _("{left} of our invoice {number} of {day} over {amount}")
    )
    what = sentence.format(
        left=money_text(about.open, about.currency),
        number=about.number,
        day=full_day(about.issued_on),
        amount=money_text(about.payable, about.currency),
    )
    asked = [_("It was due on {day}.", day=full_day(about.due_on))] if about.due_on else []
    parts = [_(lead, what=what), " ".join([*asked, _(ask)]), _facts(about)]
    parts += [*_payment(about, sender), *_online(link)]
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
    return in_one_line(
        _(
            "Statement of account from {name}, {since} to {until}",
            name=legal_name,
            since=full_day(since),
            until=full_day(until),
        )
    )


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
    parts = [_("here is how your account with us stands.")]
    for account in accounts:
        parts += [
            f"{_('In {currency}:', currency=account.currency)}\n{_movements(account)}",
            _balance(account),
        ]
    return Message(subject, _letter(to, [*parts, *_online(link), _(_CLOSING)], sender))


def _balance(account: Account) -> str:
    closing = money_text(abs(account.closing), account.currency)
    if account.closing > 0:
        return _("You owe us {amount}.", amount=closing)
    if account.closing:
        return _("You have {amount} in credit with us.", amount=closing)
    return _("You owe us nothing.")


def _movements(account: Account) -> str:
    rows = [
        ("", _("Opening balance"), "", account.opening),
        *(
            (plain_day(row.on), row.text, _column(row.amount, account.currency), row.balance)
            for row in account.rows
        ),
        ("", _("Closing balance"), "", account.closing),
    ]
    return "\n".join(
        f"{on:<10}  {in_one_line(text)[:34]:<34}  {amount:>12}  {_column(balance, account.currency):>12}"
        for on, text, amount, balance in rows
    )


def _column(amount: Decimal, currency: str) -> str:
    """An amount of a column: its digits alone, with the decimal sign of the moment."""
    return amount_text(amount, currency).replace(".", get_decimal_symbol(cldr(manner().locale)))


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
    return in_one_line(_("New price from {day}, from {name}", day=full_day(effective_from), name=legal_name))


def price_message(change: NewPrice, to: str, sender: Sender) -> Message:
    """The letter that announces a new price before it takes effect."""
    sentence = (
        _("from {day} on, {what} costs {price}, net of tax.")
        if change.before is None
        else _("from {day} on, {what} costs {price} instead of {before}, net of tax.")
    )
    lead = sentence.format(
        day=full_day(change.effective_from),
        what=_what_costs(change),
        price=_price(change.after, change.currency),
        before=_price(change.before or change.after, change.currency),
    )
    stays = _(
        "All else that we agreed stays as it is. What was done before that day is billed at the price of its day."
    )
    return Message(
        price_subject(change.effective_from, sender.legal_name),
        _letter(to, [lead, stays, _(_CLOSING)], sender),
    )


def _what_costs(change: NewPrice) -> str:
    if change.contract and change.site:
        sentence = _("{item} under your contract {contract} at {site}")
    elif change.contract:
        sentence = _("{item} under your contract {contract}")
    else:
        sentence = _("{item} at {site}") if change.site else "{item}"
    return sentence.format(item=change.item, contract=change.contract, site=change.site)


def _price(amount: Decimal, currency: str) -> str:
    """A price of up to six decimals, with at least the currency's minor units."""
    shown = amount_text(amount, currency)
    figure = shown if Decimal(shown) == amount else format(amount.normalize(), "f")
    return f"{figure.replace('.', get_decimal_symbol(cldr(manner().locale)))} {currency}"


_CLOSING = N_("If anything is unclear or wrong, please answer this mail.")


def _facts(about: About) -> str:
    """The figures of a document under each other."""
    rows = [(_(_NAMES[about.kind]), about.number), (_("Issued"), full_day(about.issued_on))]
    if about.due_on and about.kind != "credit_note":
        rows.append((_("Due"), full_day(about.due_on)))
    if about.corrects:
        rows.append((_("Corrects"), about.corrects))
    if about.po_number:
        rows.append((_("Your order"), about.po_number))
    if about.tax:
        rows += [
            (_("Net"), money_text(about.net, about.currency)),
            (_("Tax"), money_text(about.tax, about.currency)),
        ]
    rows.append((_("Total"), money_text(about.payable, about.currency)))
    if about.kind != "credit_note" and about.open != about.payable:
        rows.append((_("Still open"), money_text(about.open, about.currency)))
    return _under_each_other(rows)


def _under_each_other(rows: Sequence[tuple[str, str]]) -> str:
    """Names and values in two columns, as wide as the longest name."""
    width = max(11, *(len(name) for name, _value in rows))
    return "\n".join(f"  {name:<{width}} {value}" for name, value in rows)


def _payment(about: About, sender: Sender) -> list[str]:
    """Where to pay, for what is to be paid."""
    if about.kind == "credit_note" or about.open <= 0 or not sender.iban:
        return []
    bank = ", ".join(part for part in (sender.bank_name, f"BIC {sender.bic}" if sender.bic else "") if part)
    rows = [
        (_("To"), sender.legal_name),
        ("IBAN", _in_fours(sender.iban)),
        (_("Bank"), bank),
        (_("Reference"), about.number),
    ]
    return [f"{_('Please pay')}\n{_under_each_other([row for row in rows if row[1]])}"]


def _in_fours(iban: str) -> str:
    """As ISO 13616 prints it: groups of four."""
    packed = iban.replace(" ", "")
    return " ".join(packed[place : place + 4] for place in range(0, len(packed), 4))


def _online(link: str) -> list[str]:
    return [f"{_(_LINK[0])}\n{link}\n{_(_LINK[1])}"] if link else []


def _letter(to: str, parts: Sequence[str], sender: Sender) -> str:
    city = " ".join(part for part in (sender.postcode, sender.city) if part)
    address = ", ".join(part for part in (sender.street, city, sender.country) if part)
    reach = ", ".join(part for part in (sender.email, sender.phone) if part)
    signed = [
        sender.legal_name,
        address,
        reach,
        _("VAT {number}", number=sender.vat_id) if sender.vat_id else "",
    ]
    wrapped = [part if "\n" in part else textwrap.fill(part, MOST_COLUMNS) for part in parts]
    return (
        "\n\n".join(
            [
                _("Dear {name},", name=in_one_line(to)),
                *wrapped,
                _("With kind regards"),
                "\n".join([RULE, *(line for line in signed if line)]),
            ]
        )
        + "\n"
    )
