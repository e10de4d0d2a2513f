"""Rows of a file: how they are read, what is said of each, and what is made of the good ones."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from accounts import queries as accounts
from accounts.commands import customers as customer_commands
from accounts.errors import BadInput, Forbidden, NotFound, TooLarge
from accounts.permissions import Role
from fleet import queries
from fleet.commands import importing
from fleet.rules.importing.cells import read_cells
from fleet.rules.importing.columns import KINDS, template
from fleet.rules.importing.judging import left_out
from fleet.rules.importing.reading import read_table


def look(cast, kind, text, **rest):
    return importing.judge_import(
        actor=cast.dispatcher, kind=kind, content=text.encode(rest.pop("encoding", "utf-8"))
    )


def bring(cast, kind, text):
    return importing.import_rows(actor=cast.dispatcher, kind=kind, content=text.encode())


def fates(judged):
    return [str(line.fate) for line in judged.lines]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_files_are_read_as_spreadsheets_write_them(encoding, delimiter, ending):
    lines = ["Code{0}Name{0}country", 'C9{0}"Fähre{0} Kontor"{0}de', "{0}{0}", 'C10{0}"a ""b"""{0}DE']
    content = ending.join(lines).format(delimiter).encode(encoding)

    table = read_table(content, "customers")

    assert [row.cells["name"] for row in table.rows] == [f"Fähre{delimiter} Kontor", 'a "b"']
    assert [row.line for row in table.rows] == [2, 4]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("code,name\nC1,One\n", "lacks the column country"),
        ("code,name,country,colour\nC1,One,DE,red\n", "mean nothing here or stand twice: colour"),
        ("code,name,country,name\nC1,One,DE,x\n", "mean nothing here or stand twice: name"),
        ("code,name,country\n", "no row below"),
        ("", "lacks the columns code, name, country"),
        ('code,name,country\nC1,"One,DE\n', "a quotation mark is missing"),
        ("code,name,country\nC1,O\x00ne,DE\n", "no CSV file"),
    ],
)
def test_a_file_that_is_no_list_of_rows_is_refused_whole(text, said):
    with pytest.raises(BadInput, match=said):
        read_table(text.encode(), "customers")


def test_a_file_in_another_encoding_is_refused():
    with pytest.raises(BadInput, match="not in UTF-8"):
        read_table("code,name,country\nC1,Fähre,DE\n".encode("latin-1"), "customers")


def test_more_than_5000_rows_are_too_many():
    rows = "".join(f"C{n},Name,DE\n" for n in range(5_001))
    with pytest.raises(TooLarge, match="more than 5000 rows"):
        read_table(f"code,name,country\n{rows}".encode(), "customers")


def test_days_and_degrees_are_read_in_either_spelling_and_never_guessed():
    values, wrong = read_cells(
        "agreements", {"number": "A", "site": "S", "starts_on": "1.7.2026", "ends_on": "2027-07-01"}
    )
    assert (values["starts_on"], values["ends_on"], wrong) == (date(2026, 7, 1), date(2027, 7, 1), [])
    _values, wrong = read_cells("agreements", {"number": "A", "site": "S", "starts_on": "07/01/2026"})
    assert wrong == ["starts_on: 07/01/2026 is no day, such as 2026-07-01."]
    values, _wrong = read_cells("sites", {"latitude": "53,54610049", "longitude": "-9.5", "kind": "School"})
    assert (values["latitude"], values["longitude"], values["kind"]) == (
        Decimal("53.546100"),
        Decimal("-9.5"),
        "school",
    )
    assert (
        read_cells("sites", {"latitude": "nan"})[1][-1]
        == "latitude: nan is no number of degrees, such as 53.5461."
    )


@pytest.mark.parametrize("kind", KINDS)
def test_a_template_is_an_empty_file_of_its_kind(kind):
    with pytest.raises(BadInput, match="no row below"):
        read_table(template(kind).encode(), kind)


CUSTOMERS = "code,name,country,billing_email\nC1,Quay Schools,DE,\nC2,Ferry Office,de,a@b.example\n"


def test_good_rows_are_imported_and_the_same_file_again_makes_nothing_twice(north):
    assert fates(look(north, "customers", CUSTOMERS)) == ["there", "new"]
    assert fates(bring(north, "customers", CUSTOMERS)) == ["there", "new"]
    assert fates(bring(north, "customers", CUSTOMERS)) == ["there", "there"]
    with north.reading():
        made = accounts.customers().get(code="C2")
        assert accounts.customers().count() == 2
    assert (made.name, made.country, made.billing_email) == ("Ferry Office", "DE", "a@b.example")


def test_each_bad_row_is_told_its_reason_and_leaves_the_others_alone(north):
    text = (
        "code;name;country;billing_email\n"
        "C1;Another Name;DE;\n"
        "C2;;DE;\n"
        "C3;Three;Germany;\n"
        "C4;Four;DE;no address\n"
        "C5;Five;DE;\n"
        "C5;Five again;DE;\n"
        "C6;Six;DE;;more\n"
    )

    judged = bring(north, "customers", text)

    assert fates(judged) == ["wrong", "wrong", "wrong", "wrong", "new", "wrong", "wrong"]
    said = [" ".join(line.wrong) for line in judged.lines]
    assert said[0] == "C1 is there already, with another name. Change it on its own page."
    assert said[1] == "The column name is empty."
    # The longest a country may be is told before which two letters it is.
    assert said[2] == "Country has at most 2 characters; this has 7."
    assert said[3].startswith("Billing email: ")
    assert said[5] == "C5 stands in line 6 already."
    assert said[6] == "The row has more cells than there are columns: more."
    with north.reading():
        assert set(accounts.customers().values_list("code", flat=True)) == {"C1", "C5"}
    back = left_out(judged.table.columns, judged.table.delimiter, judged.lines)
    assert back.splitlines()[0] == "code;name;country;billing_email;reason"
    assert len(back.splitlines()) == 7
    # The rows come back as a file that can be corrected and sent again, its reasons left as they are.
    assert fates(look(north, "customers", back.replace("C2;;", "C2;Two;")))[1] == "new"


def test_sites_name_customers_and_crews_and_take_the_operators_zone(north):
    text = (
        "code,customer,name,kind,crew,latitude,longitude\n"
        "S2,C1,Gull House,office,Crew A,53.5,9.9\n"
        "S3,C9,Nobody,office,,,\n"
        "S4,C1,No Crew,office,Crew Z,,\n"
        "S5,C1,Half a Place,office,,53.5,\n"
        "S/6,C1,Slash,office,,,\n"
        "S1,C1,Marl Quay School,school,Crew A,,\n"
        "S1x,C1,Marl,castle,,,\n"
    )

    judged = bring(north, "sites", text)

    assert fates(judged) == ["new", "wrong", "wrong", "wrong", "wrong", "there", "wrong"]
    said = [" ".join(line.wrong) for line in judged.lines]
    assert said[1] == "There is no customer C9. Import the customers first."
    assert said[2] == "There is no crew Crew Z. Add it first, or leave the cell empty."
    assert said[3] == "Give latitude and longitude together, or neither."
    assert said[4].startswith("A code has letters, digits")
    assert said[6].startswith("kind: castle is none of arena, beach")
    with north.reading():
        made = accounts.sites().get(code="S2")
    assert (made.zone, made.crew_id, made.latitude) == ("Europe/Berlin", north.crew.id, Decimal("53.5"))
    assert fates(look(north, "sites", text))[0] == "there"


def test_restrooms_and_stations_come_row_by_row(north):
    text = (
        "site,restroom,station,fixture\n"
        "S1,Ground floor,1,urinal\n"
        "S1,Ground floor,2,urinal\n"
        "S1,Ground floor,9,water closet\n"
        "S1,Attic,Urinal 1,urinal\n"
        "S1,Attic,Urinal 2,urinal\n"
        "S1,Cellar,,\n"
        "S9,Cellar,,\n"
        "S1,Attic,Urinal 3,\n"
    )

    judged = bring(north, "places", text)

    # Station 2 of the cast hangs above a water closet.
    assert fates(judged) == ["there", "wrong", "new", "new", "new", "new", "wrong", "wrong"]
    assert judged.lines[1].wrong == [
        "S1, Ground floor, 2 is there already, with another fixture. Change it on its own page."
    ]
    with north.reading():
        rooms = queries.rooms_of_site(north.site.id)
    assert [(room.name, [one.station for one in room.stations]) for room in rooms] == [
        ("Attic", ["Urinal 1", "Urinal 2"]),
        ("Cellar", []),
        ("Ground floor", ["1", "2", "3", "9"]),
    ]
    assert fates(bring(north, "places", text))[2:6] == ["there", "there", "there", "there"]


def test_agreements_of_one_site_never_overlap(north):
    customer_commands.add_sites(
        actor=north.owner,
        sites=[
            {
                "customer_id": north.customer.id,
                "code": "S2",
                "name": "Two",
                "kind": "office",
                "zone": "Europe/Berlin",
            }
        ],
    )
    text = (
        "number,site,starts_on,ends_on,interval_months,grace_after_days\n"
        "A1,S1,2026-01-01,,,\n"
        "A2,S1,2026-07-01,,,\n"
        "A3,S2,2026-01-01,2026-07-01,2,\n"
        "A4,S2,2026-06-30,,,\n"
        "A5,S2,2026-07-01,,,\n"
        "A6,S2,2025-07-01,2025-06-01,,\n"
        "A7,S2,2020-07-01,2020-08-01,,15\n"
    )

    judged = bring(north, "agreements", text)

    assert fates(judged) == ["there", "wrong", "new", "wrong", "new", "wrong", "wrong"]
    assert judged.lines[1].wrong == ["The site has an agreement in these days already. End that one first."]
    assert judged.lines[5].wrong == ["An agreement ends after the day it starts on."]
    assert judged.lines[6].wrong == ["Grace after days lies from 0 to 14."]
    with north.reading():
        made = accounts.agreements().get(number="A3")
    assert (made.interval_months, made.grace_after_days, made.anchor_on) == (2, 3, date(2026, 1, 1))


def test_another_operators_rows_are_neither_named_nor_in_the_way(north, south):
    assert fates(bring(south, "customers", "code,name,country\nC7,Seven,DE\n")) == ["new"]
    text = "code,customer,name,kind\nS7,C7,Seven,office\n"
    assert fates(look(north, "sites", text)) == ["wrong"]
    assert fates(look(north, "customers", "code,name,country\nC7,Other,DE\n")) == ["new"]


def test_who_may_not_add_rows_may_not_import_them(north):
    with pytest.raises(Forbidden):
        importing.import_rows(
            actor=north.actors[Role.BOOKKEEPER], kind="customers", content=CUSTOMERS.encode()
        )
    with pytest.raises(NotFound):
        importing.judge_import(actor=north.owner, kind="invoices", content=b"")


def test_empty_names_after_the_last_column_are_none_as_spreadsheets_write_them():
    table = read_table(b"code;name;country;;;\r\nC1;One;DE;;;\r\n", "customers")

    assert table.columns == ["code", "name", "country"]
    assert table.rows[0].cells == {"code": "C1", "name": "One", "country": "DE"}


def test_a_first_row_of_ever_so_many_columns_is_refused_at_once():
    with pytest.raises(BadInput, match="more than 64 columns"):
        read_table(("code,name,country" + ",code" * 400_000 + "\nC1,One,DE\n").encode(), "customers")


def test_of_a_row_that_goes_on_and_on_only_the_beginning_is_said():
    (line,) = read_table(b"code,name,country\nC1,One,DE" + b",more" * 100_000 + b"\n", "customers").rows

    assert len(line.cells[""]) <= 5_000
