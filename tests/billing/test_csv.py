"""CSV after RFC 4180, read back by Python's own reader, and safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import io
from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from billing.rules.csv_rows import csv_rows


def text(*rows, header=("a", "b")):
    return "".join(csv_rows(header, rows))


def test_records_end_with_crlf_and_quotes_are_doubled():
    # RFC 4180, section 2, rules 1, 5, 6 and 7.
    assert text(("aaa", 'b"bb'), ("b\r\nbb", "c,c")) == 'a,b\r\naaa,"b""bb"\r\n"b\r\nbb","c,c"\r\n'


def test_numbers_and_dates_are_plain_and_nothing_is_empty():
    assert text((Decimal("-1E+2"), date(2026, 6, 1)), (None, -3)) == "a,b\r\n-100,2026-06-01\r\n,-3\r\n"


@pytest.mark.parametrize("formula", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1"])
def test_a_text_that_would_be_a_formula_is_defused(formula):
    (_, (cell, _)) = csv.reader(io.StringIO(text((formula, "")), newline=""))

    assert cell == "'" + formula


def test_a_row_of_another_length_is_a_mistake():
    with pytest.raises(ValueError, match="3 fields, the header 2"):
        text(("1", "2", "3"))


cells = st.text() | st.text("ab\",\r\n;'=-")


@given(st.lists(st.tuples(cells, cells)))
def test_any_reader_gets_the_texts_back(rows):
    read = list(csv.reader(io.StringIO(text(*rows), newline="")))

    assert read[1:] == [
        ["'" + cell if cell[:1] and cell[0] in "=+-@\t\r\n" else cell for cell in row] for row in rows
    ]
