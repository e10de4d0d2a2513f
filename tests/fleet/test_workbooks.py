"""Workbooks as tables: read as they stand, and nothing in them that a table does not need.

The workbooks are written by openpyxl, which knows ECMA-376 by itself; the broken and dangerous ones by hand.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from datetime import date, datetime, time
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from accounts.errors import BadInput, TooLarge
from fleet.rules.importing import packing, tables, workbooks
from fleet.rules.importing.cells import read_cells
from fleet.rules.importing.columns import DAYS, KINDS, names
from fleet.rules.importing.crowding import is_crowded
from fleet.rules.importing.guarding import guarded, unguarded
from fleet.rules.importing.judging import Fate, Line, Seen
from fleet.rules.importing.reading import read_table
from fleet.rules.importing.tables import Row, Table
from fleet.rules.importing.writing import csv_of, workbook_of

HEADER = ["code", "name", "country"]


def book_of(*rows: list[Any], change: Callable[[Any], None] = lambda book: None) -> bytes:
    book = Workbook()
    for row in rows:
        book.active.append(row)
    change(book)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def rewritten(content: bytes, name: str, change: Callable[[bytes], bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for entry in dict.fromkeys([*old.namelist(), name]):
            part = old.read(entry) if entry in old.namelist() else b""
            new.writestr(entry, change(part) if entry == name else part)
    return out.getvalue()


def test_cells_are_read_as_they_stand_and_empty_lines_are_left_out():
    content = book_of(
        ["Code ", "Name", "COUNTRY"],
        ["C1", "  Quay Schools ", "DE"],
        [],
        [104, "Ferry Office Müller", "at"],
        [104.5, True, None],
    )

    table = read_table(content, "customers")

    assert table.columns == HEADER
    assert [(row.line, list(row.cells.values()), row.wrong) for row in table.rows] == [
        (2, ["C1", "Quay Schools", "DE"], []),
        (4, ["104", "Ferry Office Müller", "at"], []),
        (5, ["104.5", "TRUE", ""], []),
    ]


@pytest.mark.parametrize("epoch", [None, CALENDAR_MAC_1904], ids=["1900", "1904"])
def test_days_are_days_in_either_of_the_calendars_that_workbooks_have(epoch):
    def count_from(book):
        if epoch is not None:
            book.epoch = epoch

    rows = [
        ["number", "site", "starts_on", "ends_on"],
        ["A1", "S1", date(2026, 7, 1), datetime(2027, 2, 28)],  # noqa: DTZ001 - cells have no zone
        ["A2", "S1", "2026-07-01", "1.7.2027"],
        ["A3", "S1", datetime(2026, 7, 1, 8, 30), None],  # noqa: DTZ001 - likewise
        ["A4", date(2026, 1, 2), date(2026, 7, 1), time(8, 30)],
    ]

    table = read_table(book_of(*rows, change=count_from), "agreements")

    read = [read_cells("agreements", row.cells) for row in table.rows]
    assert [read[0][0][name] for name in ("starts_on", "ends_on")] == [date(2026, 7, 1), date(2027, 2, 28)]
    assert [read[1][0][name] for name in ("starts_on", "ends_on")] == [date(2026, 7, 1), date(2027, 7, 1)]
    assert [row.wrong for row in table.rows[:2]] == [[], []]
    assert table.rows[2].wrong == [
        "starts_on: 2026-07-01 08:30:00 is more or less than a day. Leave the day alone in it."
    ]
    assert table.rows[3].wrong == [
        "site: The cell is formatted as a day or time, 2026-01-02. Format it as text.",
        "ends_on: 08:30:00 is more or less than a day. Leave the day alone in it.",
    ]


def test_formulas_errors_and_long_numbers_are_said_and_never_guessed():
    content = book_of(
        HEADER,
        ["C1", "=CONCATENATE(A1,B1)", "DE"],
        ["C2", "#REF!", "DE"],
        [12345678901234567890, "Three", "DE"],
        ["C4", "x" * 5_001, "DE"],
    )

    wrong = [row.wrong for row in read_table(content, "customers").rows]

    assert wrong == [
        ["name: The cell holds a formula, which is not worked out here. Put its value there."],
        ["name: The cell holds an error: #REF!."],
        ["code: A number of so many digits is not kept as it was typed. Format the cell as text."],
        ["name: The cell has more than 5000 characters."],
    ]


def test_a_decimal_comma_is_refused_where_it_could_part_thousands():
    _values, wrong = read_cells("units", {"code": "K3TMX0Q7V", "dose_ml_per_day": "9,5", "left_ml": "1.500"})

    assert wrong[-2:] == [
        "left_ml: 1.500 is no whole number.",
        "dose_ml_per_day: 9,5 has a comma, which is read in two ways. Write 9.5 with a point.",
    ]


def test_hidden_sheets_are_not_read_and_that_is_said():
    def hide(book):
        other = book.create_sheet("Prices")
        other.append(["secret"])
        other.sheet_state = "hidden"
        book.create_sheet("Empty")

    table = read_table(book_of(HEADER, ["C1", "One", "DE"], change=hide), "customers")

    assert [row.cells["code"] for row in table.rows] == ["C1"]
    assert table.notes == ["Hidden sheets are not read: Prices."]


def test_of_several_sheets_the_one_that_is_called_as_the_kind_is_read():
    def add(book):
        book.active.title = "Notes"
        for title in ("Customers", "More"):
            sheet = book.create_sheet(title)
            sheet.append(HEADER)
            sheet.append([title, "One", "DE"])

    content = book_of(["for", "the", "office"], change=add)

    table = read_table(content, "customers")
    assert [row.cells["code"] for row in table.rows] == ["Customers"]
    assert table.notes == ["Read is the sheet customers; not read: Notes, More."]
    with pytest.raises(BadInput, match="Several sheets of this workbook have rows: Notes, Customers, More"):
        read_table(content, "sites")


def test_merged_cells_are_refused_by_name():
    content = book_of(
        HEADER, ["C1", "One", "DE"], [None, "Two", "DE"], change=lambda b: b.active.merge_cells("A2:A3")
    )

    with pytest.raises(BadInput, match="The cells A2:A3 are merged"):
        read_table(content, "customers")


def test_more_rows_than_asked_for_are_too_many_and_none_are_too_few():
    content = book_of(HEADER, *[[f"C{n}", "One", "DE"] for n in range(6)])

    assert len(read_table(content, "customers", most=6).rows) == 6
    with pytest.raises(TooLarge, match="more than 5 rows"):
        read_table(content, "customers", most=5)
    with pytest.raises(BadInput, match="no row below"):
        read_table(book_of(HEADER), "customers")
    with pytest.raises(BadInput, match="No sheet of this workbook that can be seen has anything in it"):
        read_table(book_of(), "customers")


BILLION = (
    b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
)


@pytest.mark.parametrize(
    "part", ["xl/workbook.xml", "xl/worksheets/sheet1.xml", "xl/styles.xml", "[Content_Types].xml"]
)
def test_entities_are_refused_wherever_they_stand(part):
    content = book_of(HEADER, ["C1", "One", "DE"])

    poisoned = rewritten(content, part, lambda old: BILLION + old.split(b"?>", 1)[-1])
    padded = rewritten(
        content,
        part,
        lambda old: b"<!--" + b" " * 2_000_000 + b"-->" + BILLION.split(b"?>")[1] + old.split(b"?>", 1)[-1],
    )

    for one in (poisoned, padded):
        with pytest.raises(BadInput, match=r"parts that no table needs|can't be read"):
            read_table(one, "customers")


def test_what_grows_when_it_is_unpacked_is_refused_before_it_is():
    content = book_of(HEADER, ["C1", "One", "DE"])
    bombs = {
        "xl/worksheets/sheet1.xml": workbooks.MOST_UNPACKED + 1,
        "xl/styles.xml": workbooks.MOST_PART + 1,
        "xl/sharedStrings.xml": workbooks.MOST_TEXTS + 1,
    }
    for name, size in bombs.items():
        bomb = rewritten(content, name, lambda old, size=size: old + b" " * size)
        assert len(bomb) < 1_000_000
        with pytest.raises(TooLarge, match="too large when it is unpacked"):
            read_table(bomb, "customers")
        assert workbooks.unpacked_bytes(bomb) > size


@pytest.mark.parametrize(
    "change",
    [
        lambda xml: xml.replace(b'r="2"', b'r="5000000000"'),
        lambda xml: xml.replace(b'r="A2"', b'r="ZZZZZZ2"'),
        lambda xml: xml[: len(xml) // 2],
        lambda xml: xml.replace(b't="inlineStr"><is><t>', b't="s"><v>99').replace(b"</t></is>", b"</v>"),
        lambda xml: xml.replace(b't="inlineStr"', b't="z"'),
        lambda xml: b"",
        lambda xml: b"\xff\xfe" + xml,
    ],
)
def test_broken_sheets_are_refused_in_words(change):
    broken = rewritten(book_of(HEADER, ["C1", "One", "DE"]), "xl/worksheets/sheet1.xml", change)

    with pytest.raises((BadInput, TooLarge)) as told:
        read_table(broken, "customers")
    assert told.value.errors[0].pointer == "/file"


@given(st.binary(max_size=400), st.integers(0, 5_000))
@settings(max_examples=60, deadline=None)
def test_bytes_turned_over_in_a_workbook_end_in_rows_or_in_words(noise, at):
    content = bytearray(book_of(HEADER, ["C1", "One", "DE"]))
    content[at : at + len(noise)] = noise

    try:
        table = read_table(bytes(content), "customers")
    except (BadInput, TooLarge):
        return
    assert table.rows


@pytest.mark.parametrize("kind", KINDS)
def test_an_empty_workbook_has_the_columns_and_keeps_what_is_typed_a_text(kind):
    content = workbook_of(kind, [])

    sheet = load_workbook(io.BytesIO(content)).active
    assert sheet.title == kind
    assert [cell.value for cell in sheet[1]] == names(kind)
    formats = {
        name: sheet.column_dimensions[cell.column_letter].number_format
        for name, cell in zip(names(kind), sheet[1], strict=True)
    }
    assert set(formats.values()) <= {"@", "yyyy-mm-dd"}
    assert {name for name, form in formats.items() if form != "@"} == set(names(kind)) & DAYS
    with pytest.raises(BadInput, match="no row below"):
        read_table(content, kind)


TEXTS = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=30).map(str.strip)
FORMULAS = st.sampled_from(
    ["=1+1", "+49 40 1234", "-x", "@sum", "'quoted", "''twice", "'=a", "-9.5", "12E456789"]
)


@given(st.lists(st.tuples(FORMULAS | TEXTS.filter(bool), TEXTS | FORMULAS), min_size=1, max_size=5))
@settings(max_examples=100, deadline=None)
def test_what_is_written_comes_back_from_csv_and_from_a_workbook(rows):
    said = [{"code": code, "name": name, "country": "DE"} for code, name in rows]

    for content in (csv_of("customers", said).encode("utf-8-sig"), workbook_of("customers", said)):
        table = read_table(content, "customers")
        assert [(row.cells["code"], row.cells["name"]) for row in table.rows] == rows
        assert [row.wrong for row in table.rows] == [[] for _ in rows]


def test_no_text_of_ours_is_a_formula_where_it_is_opened():
    said = [{"code": "=1+1", "name": "@x", "country": "DE"}]

    sheet = load_workbook(io.BytesIO(workbook_of("customers", said))).active
    assert [(cell.value, cell.data_type) for cell in sheet[2][:2]] == [("=1+1", "s"), ("@x", "s")]
    assert csv_of("customers", said).splitlines()[1] == "'=1+1,'@x,DE,,"
    assert [unguarded(guarded(text)) for text in ("=a", "'a", "''", "-9.5", "-a")] == [
        "=a",
        "'a",
        "''",
        "-9.5",
        "-a",
    ]
    assert guarded("-9.5") == "-9.5"


def test_rows_and_lines_come_back_from_where_they_are_put_aside():
    rows = [
        Row(2, {"code": "C1", "name": "a\nb"}, []),
        Row(3, {"code": "C2", "name": "", "": "more"}, ["wrong"]),
    ]
    table = Table(["code", "name"], ";", rows, ["note"])
    kept = packing.table_of(packing.table_packed(table))
    assert kept == table
    values = read_cells(
        "agreements", {"number": "A", "site": "S", "starts_on": "2026-07-01", "interval_months": "2"}
    )[0]
    place = read_cells(
        "sites", {"code": "S", "customer": "C", "name": "N", "kind": "school", "latitude": "53.5"}
    )[0]
    lines = [Line(2, {"number": "A"}, Fate.NEW, values), Line(3, {}, Fate.WRONG, place, ["why"])]
    assert packing.lines_of(packing.lines_packed(lines)) == lines
    site = packing.lines_of(packing.lines_packed(lines))[0].values
    assert site["starts_on"] == date(2026, 7, 1)
    seen = Seen({("S1", "Room", ""): 2}, {}, {})
    assert packing.seen_of(packing.seen_packed(seen)) == seen


def test_a_longer_cell_of_csv_is_a_quotation_that_never_ends():
    with pytest.raises(BadInput, match="quotation mark is missing"):
        read_table(f'code,name,country\nC1,"{"x" * (tables.MOST_CELL + 1)}",DE\n'.encode(), "customers")


def test_who_waits_hears_how_many_rows_were_read(monkeypatch):
    monkeypatch.setattr(tables, "TOLD_EVERY", 2)
    heard: list[int] = []

    for content in (book_of(HEADER, *[["C", "N", "DE"]] * 5), b"code,name,country\n" + b"C,N,DE\n" * 5):
        read_table(content, "customers", tell=heard.append)

    assert heard == [0, 2, 4] * 2


@pytest.mark.parametrize(
    ("part", "end", "filling"),
    [
        ("xl/worksheets/sheet1.xml", b"</sheetData>", b'<row r="3">' + b"<c/>" * 250_000 + b"</row>"),
        ("xl/worksheets/sheet1.xml", b"</sheetData>", b'<row r="1"/>' * 2_100_000),
        ("xl/worksheets/sheet1.xml", b"</worksheet>", b"<x>" * 250_000 + b"</x>" * 250_000),
        ("xl/worksheets/sheet1.xml", b"</sheetData>", b'<row r="3" spans="' + b" " * 8_500_000 + b'"/>'),
        ("xl/styles.xml", b"</cellXfs>", b"<xf/>" * 250_000),
    ],
)
def test_a_part_that_would_fill_the_memory_is_refused_before_it_is_taken_apart(part, end, filling):
    content = book_of(HEADER, ["C1", "One", "DE"])

    bomb = rewritten(content, part, lambda old: old.replace(end, filling + end))

    assert len(bomb) < 100_000
    with pytest.raises(TooLarge, match="too large when it is unpacked"):
        read_table(bomb, "customers")


def test_shared_texts_are_counted_too():
    wide = b"<sst><si>" + b"<r/>" * 250_000 + b"</si></sst>"
    usual = b"<sst>" + b"<si><t>A customer</t></si>" * 100_000 + b"</sst>"

    assert is_crowded(io.BytesIO(wide), "xl/sharedStrings.xml")
    assert not is_crowded(io.BytesIO(usual), "xl/sharedStrings.xml")


def test_a_row_as_wide_and_texts_as_long_as_a_sheet_has_them_are_no_crowd():
    content = book_of(HEADER, ["C1", "One", "DE"])
    wide = b'<row r="3">' + b'<c s="1"/>' * 16_384 + b"</row>"
    held = rewritten(
        content,
        "xl/worksheets/sheet1.xml",
        lambda old: old.replace(b"</sheetData>", wide * 20 + b"</sheetData>"),
    )

    assert [row.cells["code"] for row in read_table(held, "customers").rows] == ["C1"]
