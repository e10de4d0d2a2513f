"""Files of rows as long work: looked at in parts, imported whole or not at all."""

from __future__ import annotations

from typing import Any
from unittest import mock

import pytest

from accounts.commands import work as works
from accounts.errors import BadInput, Conflict, Forbidden, NotFound, TooLarge
from accounts.models import LongWork, WorkFile
from accounts.permissions import Role
from servicing.commands import importing
from servicing.commands.importing import carrying_out, looking
from tests.cast import Cast
from tests.servicing.imported import (
    CUSTOMERS,
    codes,
    found,
    imported,
    job_of,
    look,
    looked,
    rows_of,
    work_off,
)


@pytest.fixture(autouse=True)
def _short_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(looking, "PART_ROWS", 4)


def test_a_look_in_parts_says_what_a_look_at_once_says_and_stores_nothing(north: Cast) -> None:
    text = rows_of(6) + "C1,Another Name,DE\nC12,Again,DE\nC99,,DE\n" + rows_of(2, 20).removeprefix(CUSTOMERS)

    judged = importing.judge_table(
        actor=north.dispatcher,
        kind="customers",
        table=importing.read_file(actor=north.dispatcher, kind="customers", content=text.encode()),
    )
    told = looked(north, "customers", text)

    assert told.state == "looked_at"
    assert told.counts == {"new": 8, "there": 0, "wrong": 3}
    assert told.counts == {"there": 0, **judged.counts}
    wrong = [line for line in judged.lines if line.fate == "wrong"]
    assert [(row["line"], row["reasons"]) for row in told.wrong_rows] == [
        (line.line, line.wrong) for line in wrong
    ]
    # A row of a later part is held against those of the parts before it.
    assert told.wrong_rows[1]["reasons"] == ["C12 stands in line 4 already."]
    kind, back = importing.left_out_file(actor=north.dispatcher, work_id=told.id)
    assert (kind, back) == ("customers", importing.left_out(["code", "name", "country"], ",", judged.lines))
    assert codes(north) == {"C1"}
    with north.reading():
        kept = set(WorkFile.objects.filter(work_id=told.id).values_list("name", flat=True))
    assert kept == {"rows.csv", "rows", "left-out", "shown"}


def test_an_import_stores_the_good_rows_and_the_same_file_again_makes_nothing_twice(north: Cast) -> None:
    text = rows_of(9) + "C99,,DE\n"

    told = imported(north, looked(north, "customers", text).id)
    again = imported(north, looked(north, "customers", text).id)

    assert (told.state, told.counts) == ("imported", {"new": 9, "there": 0, "wrong": 1})
    assert (again.state, again.counts) == ("imported", {"new": 0, "there": 9, "wrong": 1})
    assert codes(north) == {"C1", *(f"C{n}" for n in range(10, 19))}
    _kind, back = importing.left_out_file(actor=north.dispatcher, work_id=told.told_by)
    assert back.splitlines()[1:] == ["C99,,DE,The column name is empty."]


def test_all_good_or_nothing(north: Cast) -> None:
    told = looked(north, "customers", rows_of(9) + "C99,,DE\n")

    refused = imported(north, told.id, only_if_all_good=True)

    assert refused.state == "refused"
    assert "1 row can't be imported as it is, and all were to be good." in refused.work.said
    assert codes(north) == {"C1"}
    assert refused.may_be_imported
    assert imported(north, told.id).state == "imported"


def test_rows_are_judged_anew_when_they_are_imported(north: Cast) -> None:
    told = looked(north, "customers", rows_of(5))
    importing.import_table(
        actor=north.owner,
        kind="customers",
        table=importing.read_file(actor=north.owner, kind="customers", content=rows_of(2).encode()),
    )

    after = imported(north, told.id)

    assert (told.counts["new"], after.counts) == (5, {"new": 3, "there": 2, "wrong": 0})


def test_an_import_whose_worker_dies_goes_on_and_stores_all_or_nothing(north: Cast) -> None:
    told = looked(north, "customers", rows_of(9))
    work_id = importing.begin_import(actor=north.dispatcher, look_id=told.id)
    add, calls = carrying_out.importing.add_rows, []

    def dies_at_the_second(**given: Any) -> None:
        calls.append(given)
        if len(calls) == 2:
            raise RuntimeError("gone")
        add(**given)

    with (
        mock.patch.object(carrying_out.importing, "add_rows", dies_at_the_second),
        pytest.raises(RuntimeError),
    ):
        work_off(north, work_id)
    assert codes(north) == {"C1"}
    with north.reading():
        assert LongWork.objects.get(id=work_id).cursor == {"phase": "storing"}

    assert work_off(north, work_id).outcome == "done"
    assert len(codes(north)) == 10


def test_a_file_that_is_no_list_of_rows_ends_the_look_with_its_sentence(north: Cast) -> None:
    told = looked(north, "customers", "code,name\nC1,One\n")

    assert (told.state, told.counts) == ("refused", None)
    assert told.work.said == "The first row lacks the column country."
    with pytest.raises(Conflict, match="not looked at to its end"):
        importing.begin_import(actor=north.dispatcher, look_id=told.id)


def test_too_much_is_refused_before_it_is_kept(north: Cast) -> None:
    with pytest.raises(TooLarge, match="larger than 20 MB"):
        look(north, "customers", b"x" * (importing.MOST_BYTES + 1))
    with pytest.raises(BadInput, match="empty"):
        look(north, "customers", b"")
    with north.reading():
        assert LongWork.objects.count() == WorkFile.objects.count() == 0


def test_the_same_file_being_looked_at_is_one_look(north: Cast) -> None:
    first = look(north, "customers", rows_of(3))

    assert look(north, "customers", rows_of(3)) == first
    assert look(north, "customers", rows_of(4)) != first
    work_off(north, first)
    assert look(north, "customers", rows_of(3)) != first


def test_a_cancelled_look_keeps_nothing(north: Cast) -> None:
    look_id = look(north, "customers", rows_of(9))
    importing.run_look(north.operator.id, job_of(north, look_id))  # to its end: there is nothing to wait for
    other = look(north, "customers", rows_of(8))

    works.cancel(actor=north.dispatcher, work_id=other)

    assert found(north, other).state == "cancelled"
    with north.reading():
        assert not WorkFile.objects.filter(work_id=other).exists()
    with pytest.raises(Conflict):
        importing.begin_import(actor=north.dispatcher, look_id=other)


def test_nobody_imports_what_they_may_not_add(north: Cast, south: Cast) -> None:
    with pytest.raises(Forbidden):
        look(north, "customers", rows_of(3), actor=north.actors[Role.BOOKKEEPER])
    with pytest.raises(NotFound):
        look(north, "invoices", rows_of(3))
    told = looked(north, "customers", rows_of(3))
    with pytest.raises(NotFound):
        importing.begin_import(actor=south.dispatcher, look_id=told.id)
    with pytest.raises(NotFound):
        importing.left_out_file(actor=south.dispatcher, work_id=told.id)


# Units that hung already
