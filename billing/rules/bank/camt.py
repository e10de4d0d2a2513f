"""Reading the statements of a bank: ISO 20022 camt.053, "bank to customer statement", in any of its versions.

Elements are told by their names alone: between versions 001.01 and 001.14 they moved little, and where they did both
places are looked into. A file that is valid and does not add up is refused: opening balance and booked entries must make
the closing balance, to the smallest unit.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from decimal import Decimal

from lxml import etree

from accounts import phrases
from accounts.languages import N_, _
from billing.rules.bank.about import About
from billing.rules.bank.elements import Element, account_in, at, date_in, every, first, text_at
from billing.rules.bank.statements import Movement, Statement
from billing.rules.documents import amount_text
from billing.rules.money import MINOR_UNITS, smallest

MOST_BYTES = 5 * 1024 * 1024
MOST_DEPTH = 40  # elements inside each other; the standard's deepest path has about half of that
MOST_MOVEMENTS = 5_000  # in one statement: it is taken in whole, while nothing else is booked
MOST_REMITTANCE = 500
LARGEST_AMOUNT, FIRST_YEAR = Decimal(10) ** 12, 1900  # what a payment may have; beyond it is a slip
_MESSAGE = re.compile(r"camt\.(\d{3})\.001\.\d\d")
_DECIMAL = re.compile(r"\+?(\d{1,18}(\.\d{0,5})?|\.\d{1,5})")
_OPENING, _CLOSING, _INTERIM = ("OPBD", "PRCD"), ("CLBD",), ("ITBD",)
_OTHERS = {
    "052": N_("It is a report within the day (camt.052). Send the statement of the day, camt.053."),
    "054": N_("It is a notice of single payments (camt.054). Send the statement of the day, camt.053."),
}


class Unfit(ValueError):
    """A file that can't be taken in, and why: a fixed code and a sentence. ``statement`` counts from 0, None: the whole file."""

    def __init__(self, code: str, detail: str, statement: int | None = None) -> None:
        super().__init__(detail)
        self.code, self.detail, self.statement = code, detail, statement


def read(content: bytes) -> list[Statement]:
    """The statements of a file in their order; raises Unfit for what is no camt.053, or does not add up."""
    root = _tree(content)
    message = _message(root)
    group = text_at(message, "GrpHdr/MsgId")[:35]
    found = every(message, "Stmt")
    if not found:
        raise Unfit("empty", _("There is no statement in the file."))
    return [_statement(one, group, index) for index, one in enumerate(found)]


def _tree(content: bytes) -> Element:
    if len(content) > MOST_BYTES:
        most = phrases.number(MOST_BYTES // 1024**2)
        raise Unfit(
            "too-large",
            _("The file is larger than {most} MB. Ask the bank for statements of single days.", most=most),
        )
    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, remove_comments=True, remove_pis=True
    )
    try:
        root = etree.fromstring(content, parser)
    except (etree.XMLSyntaxError, ValueError) as wrong:
        where = getattr(wrong, "position", None) or (0, 0)
        raise Unfit(
            "not-xml",
            _(
                "The file is not XML that can be read: line {line}, column {column}.",
                line=where[0],
                column=where[1],
            ),
        ) from None
    if root.getroottree().docinfo.doctype:
        raise Unfit("not-xml", _("The file declares a document type. A bank's statement has none."))
    _refuse_depth(root)
    return root


def _refuse_depth(root: Element) -> None:
    depth = 0
    for event, _element in etree.iterwalk(root, events=("start", "end")):
        depth += 1 if event == "start" else -1
        if depth > MOST_DEPTH:
            raise Unfit("not-camt-053", _("Its elements stand too deep inside each other for a statement."))


def _message(root: Element) -> Element:
    said = _MESSAGE.search(etree.QName(root).namespace or "")
    if said is not None and said[1] in _OTHERS:
        raise Unfit("not-camt-053", _(_OTHERS[said[1]]))
    message = next((one for one in root if etree.QName(one).localname.startswith("BkToCstmrStmt")), None)
    if message is None or (said is not None and said[1] != "053"):
        raise Unfit(
            "not-camt-053", _("The file is XML, but no statement of an account (ISO 20022 camt.053).")
        )
    return message


def _statement(element: Element, group: str, index: int) -> Statement:
    try:
        return _Reading(element, group).statement()
    except Unfit as unfit:
        unfit.statement = index
        raise


class _Reading:
    """One statement as it is read: its currency is that of its account, else of its opening balance."""

    def __init__(self, element: Element, group: str) -> None:
        self.element, self.group = element, group
        self.id = text_at(element, "Id")[:35]
        balances = every(element, "Bal")
        self.opening, self.closing = self._ends(balances)
        self.currency = text_at(element, "Acct/Ccy") or self._currency_of(self.opening)
        if self.currency not in MINOR_UNITS:
            raise Unfit(
                "currency",
                _(
                    "Statement {id}: {currency} is no currency of ISO 4217.",
                    id=self.id,
                    currency=self.currency or "?",
                ),
            )

    def statement(self) -> Statement:
        opening, closing = self._balance(self.opening), self._balance(self.closing)
        until = self._day_of(self.closing, "Dt")
        booked, pending = self._movements(until)
        read = Statement(
            message_id=self.group,
            statement_id=self.id,
            account=self._account(),
            currency=self.currency,
            since=date_in(first(self.element, "FrToDt/FrDtTm", "FrToDt/FrDt"))
            or self._day_of(self.opening, "Dt"),
            until=until,
            opening=opening,
            closing=closing,
            movements=tuple(booked),
            pending=tuple(pending),
        )
        self._refuse_unreconciled(read)
        return read

    def _refuse_unreconciled(self, read: Statement) -> None:
        booked = sum((self._money_of(one)[1] for one in self._entries(booked=True)), Decimal(0))
        off = read.opening + booked - read.closing
        if not off:
            return
        sentence = (
            _(
                "Statement {id} does not add up: it opens with {opening}, its booked entries come to {booked}, and it "
                "closes with {closing} {currency}. Its entries are {off} too much.",
            )
            if off > 0
            else _(
                "Statement {id} does not add up: it opens with {opening}, its booked entries come to {booked}, and it "
                "closes with {closing} {currency}. Its entries are {off} too little.",
            )
        )
        raise Unfit(
            "does-not-reconcile",
            sentence.format(
                id=self.id,
                opening=self._said(read.opening),
                booked=self._said(booked),
                closing=self._said(read.closing),
                currency=self.currency,
                off=self._said(abs(off)),
            ),
        )

    def _said(self, amount: Decimal) -> str:
        return phrases.amount(amount_text(amount, self.currency))

    def _account(self) -> str:
        account = account_in(self.element, "Acct")
        if not account:
            raise Unfit("no-account", _("Statement {id} does not say of which account it is.", id=self.id))
        return account

    # Balances

    def _ends(self, balances: list[Element]) -> tuple[Element, Element]:
        """The opening and the closing balance; a page in the midst of a statement has interim ones in their places."""
        interim = _coded(balances, _INTERIM)
        opening = _coded(balances, _OPENING) or interim[:1]
        closing = _coded(balances, _CLOSING) or interim[-1:]
        if not opening:
            raise Unfit(
                "no-balance",
                _("Statement {id} has no opening balance, so it can't be checked.", id=self.id),
            )
        if not closing or opening[0] is closing[-1]:
            raise Unfit(
                "no-balance",
                _("Statement {id} has no closing balance, so it can't be checked.", id=self.id),
            )
        return opening[0], closing[-1]

    def _balance(self, element: Element) -> Decimal:
        return self._money_of(element)[1]

    def _currency_of(self, element: Element) -> str:
        amount = at(element, "Amt")
        return "" if amount is None else str(amount.get("Ccy", ""))

    # Entries

    def _entries(self, *, booked: bool) -> Iterator[Element]:
        for entry in every(self.element, "Ntry"):
            if (first(entry, "Sts/Cd", "Sts") == "BOOK") is booked:
                yield entry

    def _movements(self, until: date) -> tuple[list[Movement], list[Movement]]:
        booked: list[Movement] = []
        pending: list[Movement] = []
        for entry in self._entries(booked=True):
            booked += self._parts(entry, until, len(booked))
            if len(booked) > MOST_MOVEMENTS:
                raise Unfit(
                    "too-large",
                    _(
                        "Statement {id} has more than {most} movements. Ask the bank for statements of single days.",
                        id=self.id,
                        most=phrases.number(MOST_MOVEMENTS),
                    ),
                )
        for entry in self._entries(booked=False):
            pending += self._parts(entry, until, len(pending))
        return booked, pending[:MOST_MOVEMENTS]

    def _parts(self, entry: Element, until: date, ordinal: int) -> Iterator[Movement]:
        """An entry as the payments that it is made of, if they add up to it; else whole."""
        _amount, signed = self._money_of(entry)
        details = every(entry, "NtryDtls/TxDtls") or every(entry, "TxDtls")
        whole = self._movement(entry, details[0] if len(details) == 1 else None, signed, until)
        if len(details) <= 1:
            yield replace(whole, ordinal=ordinal)
            return
        parts = [self._part(one, is_credit=whole.is_credit) for one in details]
        if mismatch := self._mismatch(parts, signed):
            yield replace(whole, ordinal=ordinal, mismatch=mismatch)
            return
        for index, (one, part) in enumerate(zip(details, parts, strict=True)):
            if part is not None:  # without its amount it would be a mismatch
                found = self._movement(entry, one, part, until)
                yield replace(found, ordinal=ordinal + index, is_part=True)

    def _mismatch(self, parts: list[Decimal | None], signed: Decimal) -> str:
        known = [part for part in parts if part is not None]
        if len(known) < len(parts):
            return _(
                "It is {count} payments in one, and the bank does not say how much each is.", count=len(parts)
            )
        if sum(known, Decimal(0)) == signed:
            return ""
        return _(
            "It is {count} payments in one that come to {sum}, not to {amount}.",
            count=len(parts),
            sum=self._said(abs(sum(known, Decimal(0)))),
            amount=self._said(abs(signed)),
        )

    def _part(self, details: Element, *, is_credit: bool) -> Decimal | None:
        """The amount of one payment of a batch in the account's currency, below zero for what went out; None: not said."""
        said = at(details, "CdtDbtInd")
        comes_in = is_credit if said is None else said.text == "CRDT"
        for path in ("Amt", "AmtDtls/TxAmt/Amt", "AmtDtls/CntrValAmt/Amt", "AmtDtls/AnncdPstngAmt/Amt"):
            element = at(details, path)
            if (
                element is not None
                and element.get("Ccy") == self.currency
                and (amount := self._number(element))
            ):
                return amount if comes_in else -amount
        return None

    def _movement(self, entry: Element, details: Element | None, signed: Decimal, until: date) -> Movement:
        """An entry with what its one payment, or this one of its payments, says of itself."""
        value_on = self._day_of(entry, "ValDt") if at(entry, "ValDt") is not None else None
        booked_on = self._day_of(entry, "BookgDt") if at(entry, "BookgDt") is not None else value_on or until
        about = About(entry if details is None else details, is_credit=signed >= 0)
        remittance = about.remittance or text_at(entry, "AddtlNtryInf")
        return Movement(
            ordinal=0,
            booked_on=booked_on,
            value_on=value_on,
            amount=abs(signed),
            is_credit=signed >= 0,
            currency=self.currency,
            entry_reference=first(entry, "AcctSvcrRef", "NtryRef"),
            own_reference="" if details is None else first(details, "Refs/AcctSvcrRef", "Refs/TxId"),
            end_to_end=about.end_to_end,
            references=about.references,
            documents=about.documents,
            remittance=remittance[:MOST_REMITTANCE],
            party=about.party,
            party_account=about.party_account,
            is_return=text_at(entry, "RvslInd") in {"true", "1"} or about.is_return,
            reason=about.reason,
        )

    # Values

    def _money_of(self, element: Element) -> tuple[Decimal, Decimal]:
        """An amount, and the same with its sign: what comes in is above zero."""
        amount = at(element, "Amt")
        if amount is None:
            raise Unfit("amount", _("Statement {id} leaves out an amount.", id=self.id))
        if (currency := amount.get("Ccy", self.currency)) != self.currency:
            raise Unfit(
                "mixed-currencies",
                _(
                    "Statement {id} is of an account in {currency}, and one of its amounts is in {other}.",
                    id=self.id,
                    currency=self.currency,
                    other=currency,
                ),
            )
        number, way = self._number(amount), text_at(element, "CdtDbtInd")
        if way not in {"CRDT", "DBIT"}:
            raise Unfit(
                "amount",
                _("Statement {id} does not say of each amount whether it came in or went out.", id=self.id),
            )
        return number, number if way == "CRDT" else -number

    def _number(self, element: Element) -> Decimal:
        text = (element.text or "").strip()
        is_amount = _DECIMAL.fullmatch(text) and Decimal(text) < LARGEST_AMOUNT
        if not is_amount or Decimal(text) % smallest(self.currency):
            raise Unfit(
                "amount",
                _(
                    "Statement {id}: “{text}” is no amount in {currency}.",
                    id=self.id,
                    text=text,
                    currency=self.currency,
                ),
            )
        return Decimal(text)

    def _day_of(self, element: Element, name: str) -> date:
        day = date_in(first(element, f"{name}/Dt", f"{name}/DtTm"))
        if day is None or day.year < FIRST_YEAR:
            raise Unfit(
                "date", _("Statement {id} leaves out a date, or has one that there is not.", id=self.id)
            )
        return day


def _coded(balances: list[Element], codes: tuple[str, ...]) -> list[Element]:
    """The balances of the first of these codes that there are any of, as they stand in the file."""
    for code in codes:
        if found := [one for one in balances if first(one, "Tp/CdOrPrtry/Cd", "Tp/Cd") == code]:
            return found
    return []
