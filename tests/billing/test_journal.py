"""The journal as it is stored and handed on: balanced, in order, booked once, and the same for another program."""

from __future__ import annotations

import csv
import io
import random
import subprocess
import sys
from collections import defaultdict
from datetime import date, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from accounts import clock, tenancy
from billing.commands import allocating, booking, payments
from billing.commands.payments import NewPayment
from billing.queries import ledger, settling
from billing.queries.ledger import Range
from billing.rules.documents import amount_text
from billing.rules.journal_export import journal_csv
from billing.rules.money import smallest
from tests.billing.books_of_account import Said, content, issue

MAY, JUNE = date(2026, 5, 1), date(2026, 6, 1)
QUARTER = ("2026-05-01", "2026-08-01")
BEAN_CHECK = Path(sys.executable).parent / "bean-check"


def release(cast, month):
    with tenancy.writing(cast.owner):
        return booking.release_deferred(month)


def book_again(cast, *documents):
    with tenancy.writing(cast.owner):
        booking.book_documents(documents)


def entries(cast, wanted=None):
    return list(ledger.read_through(cast.owner, wanted or Range()))


def balance(cast, account, until=date.max):
    with cast.reading():
        return sum(
            (one.balance for one in ledger.balances(until=until) if one.account == account), Decimal(0)
        )


def test_entries_have_ordinals_without_a_gap_and_are_booked_once(north):
    first = issue(north, content("invoice", [Said("10.00")], rounding="0.02"))
    second = issue(north, content("invoice", [Said("20.00")], number="INV-000002"))
    was = entries(north)

    book_again(north, second, first)

    assert entries(north) == was
    assert [(entry.ordinal, entry.purpose, entry.document) for entry in was] == [
        (1, "invoice", "INV-000001"),
        (2, "rounding", "INV-000001"),
        (3, "invoice", "INV-000002"),
    ]


class RolledBack(Exception):
    pass


def release_and_roll_back(cast, month):
    with tenancy.writing(cast.owner):
        booking.release_deferred(month)
        raise RolledBack


def test_what_is_rolled_back_leaves_no_entry_and_no_gap(north):
    issue(north, content("invoice", [Said("10.00", advance=QUARTER)]))
    with pytest.raises(RolledBack):
        release_and_roll_back(north, MAY)
    issue(north, content("invoice", [Said("10.00")], number="INV-000002"))

    assert [(entry.ordinal, entry.purpose) for entry in entries(north)] == [(1, "invoice"), (2, "invoice")]


def test_deferred_revenue_is_earned_month_by_month_and_once(north):
    # 100 x 31/92 = 33.70 (rounded), then up to 30 June 100 x 61/92 = 66.30.
    issue(north, content("invoice", [Said("100.00", advance=QUARTER), Said("5.00")]))

    assert (release(north, MAY), release(north, MAY)) == (1, 0)
    assert (balance(north, "2020"), balance(north, "4010")) == (Decimal("-66.30"), Decimal("-38.70"))
    assert release(north, JUNE) == 1
    assert (balance(north, "2020"), balance(north, "4010")) == (Decimal("-33.70"), Decimal("-71.30"))
    assert release(north, date(2026, 7, 1)) == 1
    assert release(north, date(2026, 8, 1)) == 0
    assert (balance(north, "2020"), balance(north, "4010")) == (Decimal(0), Decimal("-105.00"))
    assert balance(north, "2020", date(2026, 6, 29)) == Decimal("-66.30")


def test_a_credited_line_in_advance_is_earned_no_further(north):
    lines = [Said("100.00", advance=QUARTER)]
    invoice = issue(north, content("invoice", lines))
    release(north, MAY)
    note = content("credit_note", lines, number="CRN-000001", issued_on="2026-06-10", due_on=None)
    issue(north, note, corrects=invoice)

    assert release(north, JUNE) == 2
    assert (balance(north, "2020"), balance(north, "4010"), balance(north, "1100")) == (0, 0, 0)


def test_a_document_issued_after_a_month_earns_nothing_in_it(north):
    issue(north, content("invoice", [Said("92.00", advance=QUARTER)], issued_on="2026-06-04"))

    assert release(north, MAY) == 0
    assert release(north, JUNE) == 1
    assert balance(north, "4010") == Decimal("-61.00")


def test_nothing_of_a_rivals_is_in_the_journal(north, south):
    issue(south, content("invoice", [Said("10.00", advance=QUARTER)]))

    assert release(north, MAY) == 0
    assert entries(north) == []
    with north.reading():
        assert (ledger.control_totals(), ledger.balances(), settling.open_documents()) == ([], [], [])


def test_the_csv_holds_every_line_and_totals_that_agree_with_the_database(north):
    issue(north, content("invoice", [Said("100.00"), Said("-20.00", site="")], [("DE", "15.20")]))
    issue(north, content("invoice", [Said("900")], number="INV-000002", currency="JPY"))

    text = "".join(journal_csv(ledger.read_through(north.owner, Range())))

    assert text.count("\r\n") == text.count("\n") == 1 + 6 + 2
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    first = rows[0]
    assert (first["record"], first["ordinal"], first["account"], first["debit"], first["credit"]) == (
        "line",
        "1",
        "1100",
        "95.20",
        "0.00",
    )
    assert (first["customer"], first["document"], rows[1]["site"]) == ("C1", "INV-000001", "S1")
    totals = {row["currency"]: row for row in rows if row["record"] == "total"}
    with north.reading():
        control = ledger.control_totals()
    assert [(one.currency, str(one.entries), amount_text(one.debit, one.currency)) for one in control] == [
        (currency, row["entries"], row["debit"]) for currency, row in totals.items()
    ]
    assert {c: (row["debit"], row["credit"]) for c, row in totals.items()} == {
        "EUR": ("115.20", "115.20"),
        "JPY": ("900", "900"),
    }


def test_an_export_of_days_has_the_entries_of_those_days_and_the_journal_of_one_moment(north):
    issue(north, content("invoice", [Said("10.00")], issued_on="2026-05-03"))
    issue(north, content("invoice", [Said("20.00")], number="INV-000002", issued_on="2026-06-03"))

    reading = ledger.read_through(north.owner, Range(since=JUNE))
    first = next(reading)
    issue(north, content("invoice", [Said("30.00")], number="INV-000003", issued_on="2026-06-04"))

    assert [first.document, *(entry.document for entry in reading)] == ["INV-000002"]
    assert [entry.document for entry in entries(north, Range(until=MAY + timedelta(days=2)))] == [
        "INV-000001"
    ]


# Invariant 6: what the receivables stand at is what is open, on any day

DAYS = [date(2026, 3, 1) + timedelta(days=7 * week) for week in range(16)]


class Year:
    """Some months of an operator's books, played by chance but always in the same way for a seed."""

    def __init__(self, cast, seed):
        self.cast, self.chance, self.count = cast, random.Random(seed), defaultdict(int)
        self.invoices, self.payments = [], []

    def play(self, steps=40):
        for step in range(steps):
            day = DAYS[step * len(DAYS) // steps]
            with clock.playing(datetime(day.year, day.month, day.day, 12, tzinfo=clock.zone_of("UTC"))):
                self.chance.choice(
                    [self.invoice, self.invoice, self.credit, self.pay, self.pay, self.settle]
                )(day)

    def said(self, kind, code, lines, day, currency):
        self.count[code] += 1
        unit = "1" if currency == "JPY" else "0.01"
        return content(
            kind, lines, [("DE", str(self.chance.randrange(0, 900) * Decimal(unit)))],
            number=f"{code}-{self.count[code]:06d}", issued_on=str(day), currency=currency,
            rounding=str(self.chance.choice([0, 0, 2, -1]) * Decimal(unit)),
        )  # fmt: skip

    def invoice(self, day):
        currency = self.chance.choice(["EUR", "JPY", "KWD"])
        unit = Decimal(1) if currency == "JPY" else Decimal("0.01")
        end = str(day + timedelta(days=self.chance.randrange(1, 120)))
        lines = [
            Said(str(self.chance.randrange(100, 90_000) * unit), site=site, advance=advance)
            for site, advance in (("S1", None), ("", None), ("S1", (str(day), end)))
        ]
        self.invoices.append((issue(self.cast, self.said("invoice", "INV", lines, day, currency)), lines))

    def credit(self, day):
        if self.invoices:
            invoice, lines = self.invoices.pop(self.chance.randrange(len(self.invoices)))
            said = self.said("credit_note", "CRN", lines, day, invoice.currency)
            issue(self.cast, said, corrects=invoice)

    def debts(self):
        with self.cast.reading():
            return settling.open_debts()

    def pay(self, day):
        debts = self.debts()
        if debts:
            debt = self.chance.choice(debts)
            part = self.chance.choice([debt.left, debt.left - debt.left % 1 or debt.left])
            new = NewPayment(
                self.cast.customer.id,
                day - timedelta(days=self.chance.choice([0, 0, 20])),
                part + self.chance.choice([0, 5]),
                debt.currency,
                self.chance.choice(["transfer", "cash"]),
                allocations=[(debt.number, part)] if self.chance.random() < 0.7 else [],
            )
            self.payments.append(payments.record_payment(actor=self.cast.owner, payment=new))

    def settle(self, day):
        with self.cast.reading():
            kept, notes = settling.kept_money(), [d for d in settling.open_documents() if d.is_credit]
        for debt in self.debts():
            for money in kept:
                if money.payment.currency == debt.currency:
                    asked = [(debt.number, min(money.left, debt.left))]
                    allocating.allocate_payment(
                        actor=self.cast.owner, payment_id=money.payment.id, allocations=asked
                    )
                    return
            for note in notes:
                if note.currency == debt.currency:
                    asked = [(debt.number, min(note.left, debt.left))]
                    allocating.allocate_credit(
                        actor=self.cast.owner, credit_note=note.number, allocations=asked
                    )
                    return


def receivable_and_open(cast, at):
    with cast.reading():
        stands, owed = defaultdict(Decimal), defaultdict(Decimal)
        for one in ledger.balances(until=at):
            if one.account == "1100":
                stands[one.currency] += one.balance
        for one in settling.open_documents(at=at):
            owed[one.currency] += -one.left if one.is_credit else one.left
        kept = defaultdict(Decimal)
        for money in settling.kept_money(at=at):
            kept[money.payment.currency] += money.left
        prepaid = defaultdict(Decimal)
        for one in ledger.balances(until=at):
            if one.account == "2010":
                prepaid[one.currency] -= one.balance

    def some(sums):
        return {currency: amount for currency, amount in sums.items() if amount}

    return (some(stands), some(prepaid)), (some(owed), some(kept))


@pytest.mark.parametrize("seed", [1, 2])
def test_receivables_are_the_open_documents_and_prepayments_the_kept_money_on_any_day(north, seed):
    Year(north, seed).play()

    compared = [receivable_and_open(north, day) for day in [*DAYS, date(2026, 12, 31)]]

    assert [booked for booked, _ in compared] == [there for _, there in compared]
    assert (
        sum(1 for (stands, prepaid), _ in compared if stands and prepaid) > 5
    )  # it had something to compare
    with north.reading():
        assert ledger.unbalanced() == []


# A second opinion: beancount's own checker, with no tolerance, on the same journal

ROOTS = {"1": "Assets", "2": "Liabilities", "3": "Equity", "4": "Income", "5": "Expenses"}


def bean_text(shown, balances):
    lines = ['option "tolerance_multiplier" "0"']
    names = {
        line.account: f"{ROOTS[line.account[0]]}:{line.account}" for entry in shown for line in entry.lines
    }
    lines += [f"2020-01-01 open {name}" for name in sorted(names.values())]
    for entry in shown:
        lines.append(f'{entry.entry_on} * "{entry.text}"')
        for line in entry.lines:
            amount = amount_text(line.debit - line.credit, entry.currency)
            lines.append(f"  {names[line.account]}  {amount} {entry.currency}")
    for account, currency, amount in balances:
        lines.append(f"2027-12-31 balance {names[account]}  {amount} {currency}")
    return "\n".join(lines) + "\n"


def bean_check(folder, text):
    path = folder / "journal.beancount"
    path.write_text(text, encoding="utf-8")
    done = subprocess.run([BEAN_CHECK, path], capture_output=True, text=True, check=False)
    return done.returncode, done.stderr + done.stdout


def test_another_programs_double_entry_checker_finds_nothing_in_the_journal(north, tmp_path):
    year = Year(north, 3)
    year.play()
    for month in range(3, 13):
        release(north, date(2026, month, 1))
    shown = entries(north)
    with north.reading():
        balances = [
            (one.account, one.currency, amount_text(one.balance, one.currency)) for one in ledger.balances()
        ]

    text = bean_text(shown, balances)

    assert bean_check(tmp_path, text) == (0, "")
    assert {entry.purpose for entry in shown} >= {
        "invoice", "credit_note", "payment", "settlement", "release", "rounding"
    }  # fmt: skip
    # The checker would have found the smallest amount off, in a balance as in an entry.
    (account, currency, amount), unit = balances[0], smallest(balances[0][1])
    off = bean_text(shown, [(account, currency, Decimal(amount) + unit)])
    assert "Balance failed" in bean_check(tmp_path, off)[1]
    line = next(one for one in text.splitlines() if one.startswith("  Assets:1100"))
    account, amount, currency = line.split()
    off = text.replace(line, f"  {account}  {Decimal(amount) + smallest(currency)} {currency}", 1)
    assert "does not balance" in bean_check(tmp_path, off)[1]
