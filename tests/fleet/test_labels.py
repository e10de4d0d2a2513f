"""Labels: printing them makes the units, so that an installation recorded without a network names a known unit."""

from __future__ import annotations

import pytest

from accounts.errors import BadInput, Conflict, Forbidden, NotFound
from accounts.ids import uuid7
from accounts.permissions import Role
from accounts.tenancy import reading
from fleet import commands, queries

# ISO/IEC 7064:2003, hybrid system MOD 37,36: its symbols in the order of their values; from memory.
SYMBOLS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"


def iso_7064_holds(code: str) -> bool:
    """The check of the standard on the whole string, check character included: the last sum is 1 modulo 36."""
    total = 36
    for symbol in code[:-1]:
        total = (total + SYMBOLS.index(symbol)) % 36 or 36
        total = total * 2 % 37
    return (total + SYMBOLS.index(code[-1])) % 36 == 1


def test_labels_are_printed_with_the_standards_check_character(north):
    printed = commands.print_labels(actor=north.dispatcher, unit_model_id=north.unit.unit_model_id, count=200)

    assert len({unit.code for unit in printed}) == 200
    assert [unit.code for unit in printed if not iso_7064_holds(unit.code) or len(unit.code) != 9] == []
    assert [unit.code for unit in printed if set(unit.code) & set("ILOU")] == []
    with reading(north.owner):
        assert queries.known_unit_ids([unit.id for unit in printed]) == {unit.id for unit in printed}


def test_a_unit_is_found_by_its_label_in_any_spelling(north):
    code = north.unit.code

    with reading(north.owner):
        assert queries.unit_by_code(f" {code[:3].lower()}-{code[3:6]} {code[6:]}").id == north.unit.id
        with pytest.raises(NotFound, match="nine characters"):
            queries.unit_by_code(code[::-1])


def test_misspelt_codes_are_all_named_and_none_is_made(north):
    good, other = (
        unit.code
        for unit in commands.print_labels(actor=north.owner, unit_model_id=north.unit.unit_model_id, count=2)
    )
    swapped = "0" + good[1:] if good[0] != "0" else "1" + good[1:]

    with pytest.raises(BadInput, match="no label was made") as refusal:
        commands.print_labels(
            actor=north.owner, unit_model_id=north.unit.unit_model_id, codes=[other, swapped, "TOO-SHORT1"]
        )

    assert [(one.pointer, one.code) for one in refusal.value.errors] == [
        ("/codes/1", "label-code"),
        ("/codes/2", "label-code"),
    ]


def test_a_code_is_printed_once_by_an_operator_and_may_be_printed_by_another(north, south):
    code = north.unit.code

    with pytest.raises(Conflict, match="Nothing was added"):
        commands.print_labels(actor=north.owner, unit_model_id=north.unit.unit_model_id, codes=[code])
    theirs = commands.print_labels(actor=south.owner, unit_model_id=south.unit.unit_model_id, codes=[code])

    with reading(south.owner):
        assert queries.unit_by_code(code).id == theirs[0].id
    with reading(north.owner):
        assert queries.unit_by_code(code).id == north.unit.id


@pytest.mark.parametrize("wanted", [{"count": 0}, {"count": 2_001}, {"count": 2, "ids": [uuid7()]}])
def test_labels_are_printed_1_to_2000_at_a_time_with_an_id_each_or_none(north, wanted):
    with pytest.raises(BadInput, match="1 to 2000 labels"):
        commands.print_labels(actor=north.owner, unit_model_id=north.unit.unit_model_id, **wanted)
    made = commands.print_labels(
        actor=north.owner, unit_model_id=north.unit.unit_model_id, count=1, ids=[known := uuid7()]
    )

    assert made[0].id == known


def test_a_rivals_unit_model_is_none(north, south):
    with pytest.raises(NotFound, match="no unit model here"):
        commands.print_labels(actor=north.owner, unit_model_id=south.unit.unit_model_id, count=1)
    with reading(south.owner):
        assert queries.units().count() == len(south.units)


@pytest.mark.parametrize("role", [Role.CREW_MEMBER, Role.BOOKKEEPER, Role.VIEWER])
def test_only_the_office_prints_labels_and_adds_places(north, role):
    actor, model = north.actors[role], north.unit.unit_model_id

    with pytest.raises(Forbidden):
        commands.print_labels(actor=actor, unit_model_id=model, count=1)
    with pytest.raises(Forbidden):
        commands.add_restrooms(actor=actor, restrooms=[{"site_id": north.site.id, "name": "Attic"}])
    with pytest.raises(Forbidden):
        commands.add_liquid(actor=actor, name="Enzyme cleaner", family="enzyme")

    assert len(commands.print_labels(actor=north.dispatcher, unit_model_id=model, count=1)) == 1


def test_a_restroom_is_at_a_site_of_its_operator(north, south):
    with pytest.raises(NotFound, match="no site here"):
        commands.add_restrooms(actor=north.owner, restrooms=[{"site_id": south.site.id, "name": "Attic"}])
    attic = commands.add_restrooms(
        actor=north.owner, restrooms=[{"site_id": north.site.id, "name": "Attic"}]
    )[0]
    commands.add_stations(
        actor=north.owner, stations=[{"restroom_id": attic.id, "name": "left", "fixture": "water_closet"}]
    )

    with reading(north.owner):
        places = [(one.restroom, one.station) for one in queries.stations_of_site(north.site.id)]
    assert places == [("Attic", "left"), ("Ground floor", "1"), ("Ground floor", "2"), ("Ground floor", "3")]
