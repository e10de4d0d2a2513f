"""The library of safety data sheets: PDFs as the supplier gave them, one a revision and language."""

from __future__ import annotations

from datetime import date

import pytest

from accounts.errors import BadInput, Conflict, Forbidden, NotFound, TooLarge
from accounts.ids import uuid7
from accounts.permissions import Role
from fleet import commands, queries

PDF = b"%PDF-1.7\n% a sheet\n%%EOF\n"


def add(cast, **rest):
    values = {"liquid_id": cast.cartridge.liquid_id, "revision_on": date(2025, 3, 1), "language": "en"}
    return commands.add_safety_sheet(**{"actor": cast.owner, **values, "content": PDF, **rest})


def test_sheets_stand_newest_first_and_come_back_as_they_went_in(north):
    old = add(north, revision_on=date(2021, 3, 1), content=PDF + b"old")
    new = add(north)
    german = add(north, language="de", content=PDF + b"de")

    with north.reading():
        listed = queries.safety_sheets([north.cartridge.liquid_id])
        assert [one.id for one in listed] == [german.id, new.id, old.id]
        assert queries.safety_sheet_content(old.id) == PDF + b"old"
        assert listed[2].bytes == len(PDF) + 3
        assert listed[2].liquid == "Scale remover"
        assert queries.safety_sheets([]) == []
        assert queries.get_liquid(north.cartridge.liquid_id).sds_revision_on == date(2025, 3, 1)


def test_the_same_file_again_stores_nothing_and_another_is_refused(north):
    first = add(north)

    assert add(north).id == first.id
    with pytest.raises(Conflict, match="Another file stands here"):
        add(north, content=PDF + b"other")
    commands.remove_safety_sheet(actor=north.owner, sheet_id=first.id)
    second = add(north, content=PDF + b"other")

    with north.reading():
        assert [one.id for one in queries.safety_sheets()] == [second.id]


def test_a_liquid_without_sheets_has_no_revision(north):
    sheet = add(north)
    commands.remove_safety_sheet(actor=north.owner, sheet_id=sheet.id)

    with north.reading():
        assert queries.get_liquid(north.cartridge.liquid_id).sds_revision_on is None
    with pytest.raises(NotFound):
        commands.remove_safety_sheet(actor=north.owner, sheet_id=sheet.id)


@pytest.mark.parametrize(
    ("wrong", "refusal"),
    [
        ({"content": b"<html>"}, BadInput),
        ({"content": b""}, BadInput),
        ({"content": b"%PDF-" + b" " * 5 * 1024 * 1024}, TooLarge),
        ({"revision_on": date(2026, 6, 17)}, BadInput),  # the cast's clock stands on 15 June 2026
        ({"revision_on": date(1926, 6, 17)}, BadInput),
        ({"language": "EN"}, BadInput),
        ({"liquid_id": uuid7()}, NotFound),
    ],
)
def test_what_is_no_sheet_is_refused(north, wrong, refusal):
    with pytest.raises(refusal):
        add(north, **wrong)

    with north.reading():
        assert queries.safety_sheets() == []


def test_another_operators_sheets_and_liquids_are_out_of_reach(north, south):
    theirs = add(south)

    with north.reading(), pytest.raises(NotFound):
        queries.safety_sheet_content(theirs.id)
    with pytest.raises(NotFound):
        commands.remove_safety_sheet(actor=north.owner, sheet_id=theirs.id)
    with pytest.raises(NotFound):
        add(north, liquid_id=south.cartridge.liquid_id)
    with pytest.raises(Forbidden):
        add(north, actor=north.actors[Role.CREW_MEMBER])
