"""Reading camt.053 in two versions: files that the published schemas accept, and which of them are refused, and why.

The schemas are those of ISO 20022 for camt.053.001.02 and camt.053.001.08, unchanged.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from billing.rules.bank import camt as reader
from billing.rules.bank.statements import is_name, keys
from tests.billing.bank.files import ACCOUNT, PAYER, Entry, Said, camt, schema_problems

D = Decimal
VERSIONS = ("02", "08")
DAY = Said(
    (
        Entry("119.00", "Invoice INV-000001", end_to_end="E2E-1", bank="B-1"),
        Entry("-12.50", "Account fee", bank="B-2", party="", party_account=""),
        Entry("50.00", reference="RF73INV000123", status="PDNG"),
    )
)


@pytest.mark.parametrize("version", VERSIONS)
def test_a_statement_is_read_with_all_that_it_says(version):
    content = camt(DAY, version=version)
    assert schema_problems(content, version) == []

    (read,) = reader.read(content)

    assert (read.account, read.currency, read.statement_id) == (ACCOUNT, "EUR", "2026/117")
    assert (read.since, read.until) == (date(2026, 6, 9), date(2026, 6, 10))
    assert (read.opening, read.closing) == (D("1000.00"), D("1106.50"))
    first, fee = read.movements
    assert (first.signed, first.booked_on, first.end_to_end) == (D("119.00"), date(2026, 6, 10), "E2E-1")
    assert (first.remittance, first.party, first.party_account) == (
        "Invoice INV-000001",
        "Quay Towers",
        PAYER,
    )
    assert (fee.signed, fee.bank_reference) == (D("-12.50"), "B-2")
    (pending,) = read.pending
    assert (pending.amount, pending.references) == (D("50.00"), ("RF73INV000123",))


def test_the_figures_of_a_public_sample_of_two_statements_are_read():
    """18.15 + 8.85 = 27.00, and 27.00 - 7.00 = 20.00: the sample camt053.v2.multi.statement of genkgo/camt on GitHub."""
    first = Said(
        (Entry("8.85", "One", on="2014-12-31"),), opening="18.15", closing="27.00", until="2014-12-31"
    )
    second = Said((Entry("-7.00", "Two"),), opening="27.00", closing="20.00", id="2")
    content = camt(first, second, version="02")
    assert schema_problems(content, "02") == []

    read = reader.read(content)

    assert [(one.opening, one.closing) for one in read] == [
        (D("18.15"), D("27.00")),
        (D("27.00"), D("20.00")),
    ]
    assert [one.movements[0].signed for one in read] == [D("8.85"), D("-7.00")]


VALID_BUT_UNFIT = [
    # 18.15 + 8.85 is not 27.05: the sample camt053.v2.five.decimals of genkgo/camt has these figures.
    (Said((Entry("8.850"),), opening="18.150", closing="27.050"), "does-not-reconcile", "0.05 too little"),
    (Said((Entry("8.85"),), opening="-18.15", closing="27.00"), "does-not-reconcile", "36.30 too little"),
    (Said((Entry("8.85", status="PDNG"),), opening="18.15", closing="27.00"), "does-not-reconcile", "8.85"),
    (Said((Entry("5.00"),), dropped=("opening",)), "no-balance", "no opening balance"),
    (Said((Entry("5.00"),), dropped=("closing",)), "no-balance", "no closing balance"),
    (Said((Entry("5.00"),), codes=("OPAV", "CLAV")), "no-balance", "no opening balance"),
    (Said((Entry("5.005"),), closing="1005.005"), "amount", "5.005"),
    (Said((Entry("5.00"),), opening="1000000000000.00"), "amount", "1000000000000.00"),
    (Said((Entry("5.00", on="1899-12-31"),)), "date", "leaves out a date"),
    (Said((Entry("5.00"),), currency="XYZ"), "currency", "XYZ"),
]


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize(("said", "code", "why"), VALID_BUT_UNFIT)
def test_what_the_schema_accepts_and_does_not_add_up_is_refused(said, code, why, version):
    content = camt(DAY, said, version=version)
    assert schema_problems(content, version) == []

    with pytest.raises(reader.Unfit, match=why) as refused:
        reader.read(content)

    assert (refused.value.code, refused.value.statement) == (code, 1)


def test_currencies_that_are_mixed_are_refused():
    content = camt(DAY).replace(b'<Amt Ccy="EUR">119.00', b'<Amt Ccy="SEK">119.00')
    assert schema_problems(content, "08") == []
    with pytest.raises(reader.Unfit, match="account in EUR, and one of its amounts is in SEK") as refused:
        reader.read(content)
    assert refused.value.code == "mixed-currencies"


BOMB = b"""<!DOCTYPE d [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">
<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;&b;&b;">]><Document>&c;</Document>"""
OUTSIDE = b'<!DOCTYPE d [<!ENTITY a SYSTEM "file:///etc/hostname">]><Document>&a;</Document>'


@pytest.mark.parametrize(
    ("content", "code", "why"),
    [
        (b"", "not-xml", "not XML"),
        (b"Date;Amount\n2026-06-10;119.00\n", "not-xml", "not XML"),
        (camt(DAY)[:-20], "not-xml", "line 1, column"),
        (BOMB, "not-xml", "document type"),
        (OUTSIDE, "not-xml", "document type"),
        (b"<html/>", "not-camt-053", "no statement"),
        (b"<a>" * 100 + b"</a>" * 100, "not-camt-053", "too deep"),
        (camt(DAY).replace(b"camt.053", b"camt.054"), "not-camt-053", "camt.054"),
        (camt(DAY).replace(b"camt.053", b"camt.052"), "not-camt-053", "camt.052"),
        (camt(), "empty", "no statement"),
        (b" " * (reader.MOST_BYTES + 1), "too-large", "5 MB"),
        (camt(Said(tuple(Entry("0.01") for _ in range(5_001)))), "too-large", "5,000 movements"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_is_no_statement_is_refused(content, code, why):
    with pytest.raises(reader.Unfit, match=why) as refused:
        reader.read(content)
    assert refused.value.code == code


WHOLE = camt(DAY)
TAGS = sorted(set(re.findall(rb"</?[A-Za-z]+>", WHOLE)))


@given(st.lists(st.tuples(st.integers(0, len(WHOLE)), st.integers(0, 30), st.sampled_from(TAGS)), max_size=4))
def test_whatever_is_torn_out_of_a_file_it_is_read_or_refused(tears):
    torn = WHOLE
    for at, length, tag in tears:
        torn = torn[:at] + tag + torn[at + length :]
    for read in read_or_refused(torn):
        assert read.opening + sum(one.signed for one in read.movements) == read.closing


def read_or_refused(content):
    """The statements of a file, none of one that is refused; anything else that is raised is a fault."""
    try:
        return reader.read(content)
    except reader.Unfit:
        return []


@given(st.sets(st.sampled_from(sorted(set(re.findall(rb"<([A-Za-z]+)>", WHOLE)))), max_size=3))
def test_whatever_elements_are_left_out_it_is_read_or_refused(names):
    kept = WHOLE
    for name in names:
        kept = re.sub(rb"<%b\b[^>]*>.*?</%b>" % (name, name), b"", kept)
    for read in read_or_refused(kept):
        assert read.opening + sum(one.signed for one in read.movements) == read.closing


@pytest.mark.parametrize("space", [b"camt.053.001.04", b"camt.053.001.14", b"bank-of-its-own"])
def test_elements_are_told_by_their_names(space):
    """Between versions little moves, and some banks have a namespace of their own."""
    (read,) = reader.read(camt(DAY).replace(b"camt.053.001.08", space))
    assert read == reader.read(camt(DAY))[0]


@pytest.mark.parametrize("version", VERSIONS)
def test_a_batch_is_taken_apart_if_its_payments_add_up(version):
    parts = (Entry("100.00", "INV-000001", bank="P-1"), Entry("19.00", "INV-000002", bank="P-2"))
    batch = Entry("119.00", bank="B-7", parts=parts)
    content = camt(Said((batch,)), version=version)
    assert schema_problems(content, version) == []

    (read,) = reader.read(content)

    assert [(one.amount, one.bank_reference, one.remittance) for one in read.movements] == [
        (D("100.00"), "P-1", "INV-000001"),
        (D("19.00"), "P-2", "INV-000002"),
    ]
    assert [one.ordinal for one in read.movements] == [0, 1]


@pytest.mark.parametrize(
    ("parts", "why"),
    [
        ((Entry("100.00", "A"), Entry("18.00", "B")), "2 payments in one that come to 118.00, not to 119.00"),
        ((Entry("", "A"), Entry("", "B")), "does not say how much"),
    ],
)
def test_a_batch_that_does_not_add_up_stays_whole_and_says_why(parts, why):
    (read,) = reader.read(camt(Said((Entry("119.00", parts=parts),))))
    (whole,) = read.movements
    assert whole.amount == D("119.00")
    assert why in whole.mismatch


def test_what_is_taken_back_says_so():
    bounced = Entry("-119.00", "INV-000001", end_to_end="E2E-1", returned="AC04")
    undone = Entry("12.50", "Fee undone", reversal=True)
    content = camt(Said((bounced, undone)))
    assert schema_problems(content, "08") == []
    (read,) = reader.read(content)
    back, fee = read.movements
    assert (back.is_return, back.reason, back.party) == (True, "AC04", "Quay Towers")
    assert (fee.is_return, fee.is_credit) == (True, True)


@pytest.mark.parametrize(
    ("opening", "closing"), [("PRCD", "CLBD"), ("OPBD", "ITBD"), ("ITBD", "CLBD"), ("ITBD", "ITBD")]
)
def test_pages_of_a_statement_begin_and_end_with_interim_balances(opening, closing):
    (read,) = reader.read(camt(replace(DAY, codes=(opening, closing))))
    assert (read.opening, read.closing) == (D("1000.00"), D("1106.50"))


def test_other_currencies_have_their_own_smallest_units():
    yen = Said((Entry("11900"),), currency="JPY", opening="1000")
    dinar = Said((Entry("1.125"),), currency="KWD", opening="1.000")
    assert [one.closing for one in reader.read(camt(yen, dinar))] == [D(12900), D("2.125")]


# Under which keys movements are known


def keys_of(*entries, **said):
    (read,) = reader.read(camt(Said(entries, **said)))
    return keys(read)


def test_the_same_movement_has_the_same_key_in_another_statement():
    one, two = Entry("119.00", "INV-000001", bank="B-1"), Entry("50.00", "INV-000002")
    day = keys_of(one, two)
    assert keys_of(two, Entry("7.00", "x"), one, id="other", opening="5.00")[0::2] == [day[1], day[0]]
    assert set(keys_of(one, two, account=PAYER)) & set(day) == set()


@pytest.mark.parametrize(
    "other",
    [
        Entry("119.00", "INV-000001", bank="B-2"),
        Entry("119.01", "INV-000001", bank="B-1"),
        Entry("-119.00", "INV-000001", bank="B-1"),
        Entry("119.00", "INV-000001", bank="B-1", on="2026-06-09"),
    ],
)
def test_another_movement_has_another_key_even_if_the_bank_names_it_the_same(other):
    assert keys_of(Entry("119.00", "INV-000001", bank="B-1")) != keys_of(other)


def test_movements_that_say_the_same_are_counted():
    same = Entry("20.00", "Coffee")
    one, two = keys_of(same, same)
    assert one != two
    assert keys_of(same) == [one]


def test_numbers_that_count_entries_name_nothing():
    assert not [
        one for one in ("", "NOTPROVIDED", "not provided", "NONREF", "1", "00017", "-") if is_name(one)
    ]
    assert is_name("2026061000017")
    assert is_name("B-1")
    # Entry 1 of one statement is entry 3 of another.
    assert keys_of(Entry("20.00", "Coffee", bank="1")) == keys_of(Entry("20.00", "Coffee", bank="3"))
