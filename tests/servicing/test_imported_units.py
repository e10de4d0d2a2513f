"""Units that hung already, from a file: made and opened as the rows say, and what is there taken out and in again."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any
from unittest import mock

import pytest

from accounts import clock
from accounts.ids import new_label_code
from accounts.models import Job, LongWork
from accounts.permissions import Role
from fleet import queries as fleet
from servicing import log
from servicing.commands import importing
from servicing.commands.importing import carrying_out, looking
from servicing.commands.office import counter_event
from servicing.models import UnitState
from servicing.queries import rows_there
from tests.cast import Cast
from tests.pages.visitors import signed_in, text_of
from tests.servicing.imported import (
    found,
    imported,
    looked,
    rows_of,
    work_off,
)

PLACES = "site,restroom,station,fixture\n" + "".join(f"S1,Annex,{n},urinal\n" for n in range(1, 10))


@pytest.fixture(autouse=True)
def _short_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(looking, "PART_ROWS", 4)


@pytest.fixture
def hung(north: Cast) -> dict[str, Any]:
    """Stations without units, and labels for them: their codes by number."""
    table = importing.read_file(actor=north.owner, kind="places", content=PLACES.encode())
    importing.import_table(actor=north.owner, kind="places", table=table)
    with north.reading():
        model = fleet.unit_models()[0].name
    return {"model": model, "codes": [new_label_code() for _ in range(9)], "cartridge": north.cartridge.code}


UNITS = (
    "code,model,site,restroom,station,as_of,installed_on,last_exchange_on,cartridge,left_ml,wick_fitted_on\n"
)


def unit_rows(
    hung: dict[str, Any], count: int = 9, facts: str = "2026-06-01,2024-03-14,2026-05-20,{c},120,"
) -> str:
    facts = facts.format(c=hung["cartridge"])
    return UNITS + "".join(
        f"{code},{hung['model']},S1,Annex,{n},{facts}\n"
        for n, code in enumerate(hung["codes"][:count], start=1)
    )


def opened(cast: Cast, code: str) -> list[dict[str, Any]]:
    with cast.reading():
        unit = fleet.unit_by_code(code)
        return [one.payload for one in log.events_of([unit.id]) if one.type == "unit.opened"]


def test_units_are_made_and_opened_as_the_rows_say_and_unknown_stays_unknown(
    north: Cast, hung: dict[str, Any]
) -> None:
    text = unit_rows(hung, 8) + f"{hung['codes'][8].lower()},{hung['model']},,,,,,,,,\n"

    told = imported(north, looked(north, "units", text).id)

    assert (told.state, told.counts) == ("imported", {"new": 9, "there": 0, "wrong": 0})
    (said,) = opened(north, hung["codes"][0])
    assert {name: said[name] for name in ("as_of", "installed_on", "last_exchange_on", "left_ml")} == {
        "as_of": "2026-06-01", "installed_on": "2024-03-14", "last_exchange_on": "2026-05-20", "left_ml": 120,
    }  # fmt: skip
    assert said["cartridge_id"] == str(north.cartridge.id)
    assert said["charge_ml"] == north.cartridge.volume_ml
    assert "wick_fitted_on" not in said
    with north.reading():
        states = {one.unit_id: one for one in UnitState.objects.all()}
        unit = fleet.unit_by_code(hung["codes"][3])
        waiting = fleet.unit_by_code(hung["codes"][8])
        place = fleet.stations([states[unit.id].station_id])[states[unit.id].station_id]
    assert (place.restroom, place.station) == ("Annex", "4")
    assert waiting.id not in states


def test_the_same_units_again_make_nothing_twice_with_a_day_or_without(
    north: Cast, hung: dict[str, Any]
) -> None:
    dated, undated = unit_rows(hung, 4), unit_rows(hung, 4).replace("2026-06-01", "")
    imported(north, looked(north, "units", dated).id)

    for text in (dated, undated):
        assert looked(north, "units", text).counts == {"new": 0, "there": 4, "wrong": 0}
        assert imported(north, looked(north, "units", text).id).counts == {"new": 0, "there": 4, "wrong": 0}
    other = looked(north, "units", dated.replace("2024-03-14", "2023-01-01"))
    assert other.counts == {"new": 0, "there": 0, "wrong": 4}
    assert "has an opening state already" in other.wrong_rows[0]["reasons"][0]
    assert len(opened(north, hung["codes"][0])) == 1


def test_each_wrong_row_of_units_is_told_its_reason(north: Cast, hung: dict[str, Any]) -> None:
    north.upload(north.installed())
    good, model = hung["codes"], hung["model"]
    text = UNITS + "\n".join(
        [
            "ABC,{m},S1,Annex,1,,,,,,",
            f"{good[0]},,S1,Annex,1,,,,,,",
            f"{good[1]},{{m}},S1,Annex,77,,,,,,",
            f"{good[2]},{{m}},S1,,,,,,,,",
            f"{good[3]},{{m}},,,,2026-06-01,2024-03-14,,,,",
            f"{good[4]},{{m}},S1,Annex,5,2026-06-01,2027-03-14,,,,",
            f"{good[5]},{{m}},S1,Annex,6,2199-06-01,,,,,",
            f"{good[6]},{{m}},S1,Ground floor,1,,,,,,",
            f"{north.units[0].code},{{m}},S1,Annex,8,,,,,,",
            f"{good[7]},Nothing,S1,Annex,7,,,,NO,,",
            f"{good[8]},{{m}},S1,Annex,9,,,,,,unknown",
            f"{north.units[1].code},{{m}},S1,Annex,9,,,,,,",
        ]
    ).format(m=model)

    told = looked(north, "units", text + "\n")

    said = {row["line"]: " ".join(row["reasons"]) for row in told.wrong_rows}
    assert told.counts == {"new": 1, "there": 0, "wrong": 11}
    assert "is no label code" in said[2]
    assert said[3] == f"{good[0]} is a new unit. Name its model."
    assert said[4] == "There is no station S1, Annex, 77. Import the restrooms and stations first."
    assert said[5] == "Name the site, the restroom and the station where it hangs, or none of them."
    assert said[6].startswith("A unit that hangs nowhere has no state yet.")
    assert said[7] == "installed_on: This day lies after the one on which all this was so."
    assert said[8] == "as_of: This day is still to come. Enter one up to today."
    assert said[9] == f"Unit {north.units[0].code} hangs there. Move it or take it down first."
    assert "was put up here already, so the log knows how it stands" in said[10]
    assert "There is no unit model Nothing" in said[11]
    assert said[13] == "The unit of line 12 hangs at this station already."


def test_openings_go_on_where_a_worker_died_and_none_is_recorded_twice(
    north: Cast, hung: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(carrying_out, "AT_ONCE", 2)
    told = looked(north, "units", unit_rows(hung))
    work_id = importing.begin_import(actor=north.dispatcher, look_id=told.id)
    record, calls = carrying_out.record_openings, []

    def dies_at_the_third(**given: Any) -> Any:
        calls.append(given)
        if len(calls) == 3:
            record(**given)
            raise RuntimeError("gone")
        return record(**given)

    with mock.patch.object(carrying_out, "record_openings", dies_at_the_third), pytest.raises(RuntimeError):
        work_off(north, work_id)
    with north.reading():
        assert UnitState.objects.count() == 4

    assert work_off(north, work_id).outcome == "done"
    assert [len(opened(north, code)) for code in hung["codes"]] == [1] * 9


def test_a_unit_put_up_meanwhile_is_left_out_and_said(
    north: Cast, hung: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(carrying_out, "AT_ONCE", 2)
    told = looked(north, "units", unit_rows(hung, 6))
    work_id = importing.begin_import(actor=north.dispatcher, look_id=told.id)
    store = carrying_out._store

    def somebody_is_quicker(actor: Any, work: Any, of: Any) -> Any:
        step = store(actor, work, of)
        unit = fleet.unit_by_code(hung["codes"][4])
        carrying_out.record_openings(
            actor=north.owner,
            openings=[
                carrying_out.opening_of(
                    {"unit_id": unit.id, "station_id": north.stations[0].id, "as_of": date(2026, 6, 2)}
                )
            ],
        )
        return step

    with mock.patch.object(carrying_out, "_store", somebody_is_quicker):
        work_off(north, work_id)
    after = found(north, told.id)

    assert after.counts == {"new": 5, "there": 0, "wrong": 1}
    assert "has an opening state already" in after.wrong_rows[0]["reasons"][0]
    _kind, back = importing.left_out_file(actor=north.dispatcher, work_id=after.told_by)
    assert back.splitlines()[1].startswith(hung["codes"][4])


def test_a_cancel_amid_the_openings_keeps_what_is_recorded_and_the_rest_follows(
    north: Cast, hung: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(carrying_out, "AT_ONCE", 2)
    told = looked(north, "units", unit_rows(hung))
    work_id = importing.begin_import(actor=north.dispatcher, look_id=told.id)
    opening, calls = carrying_out._open, []

    def cancels(actor: Any, work: Any, of: Any) -> Any:
        calls.append(work)
        if len(calls) == 2:
            LongWork.objects.filter(id=work.id).update(cancel_asked_at=clock.now())
        return opening(actor, work, of)

    with mock.patch.object(carrying_out, "_open", cancels):
        assert work_off(north, work_id).outcome == "cancelled"
    with north.reading():
        assert UnitState.objects.count() == 4
    shown = signed_in(north, Role.DISPATCHER).get(f"/{north.operator.slug}/work/{work_id}")
    assert "What it had stored and recorded by then stays." in text_of(shown)

    after = imported(north, told.id)
    assert after.counts == {"new": 5, "there": 4, "wrong": 0}


# What is there, as files


def export(cast: Cast, kind: str, form: str) -> bytes:
    with cast.reading():
        rows = list(rows_there.rows_there(kind))
    if form == "csv":
        return importing.writing.csv_of(kind, rows).encode("utf-8-sig")
    return importing.writing.workbook_of(kind, rows)


@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_what_is_there_comes_back_as_there_already(north: Cast, hung: dict[str, Any], form: str) -> None:
    extra = 'code,name,country,address\nC2,\'=SUM(A1),DE,"Kai 1\n21000 Ostrel"\nC3,+49 Club,AT,\n'
    importing.import_table(
        actor=north.owner,
        kind="customers",
        table=importing.read_file(actor=north.owner, kind="customers", content=extra.encode()),
    )
    site = "code,customer,name,kind,latitude,longitude,crew,hardness_mg_per_l\nS9,C2,Nine,hotel,-33.5,151.2,Crew A,240\n"
    importing.import_table(
        actor=north.owner,
        kind="sites",
        table=importing.read_file(actor=north.owner, kind="sites", content=site.encode()),
    )
    north.upload(north.installed())
    imported(north, looked(north, "units", unit_rows(hung, 5)).id)
    # One that is taken back hangs nowhere again; the first of the cast was put up by its crew.
    with north.reading():
        unit = fleet.unit_by_code(hung["codes"][4])
        (event,) = [one for one in log.events_of([unit.id]) if one.type == "unit.opened"]
    counter_event(actor=north.dispatcher, event_id=event.event_id, reason="other")

    for kind in importing.KINDS:
        content = export(north, kind, form)
        table = importing.read_file(actor=north.dispatcher, kind=kind, content=content)
        judged = importing.judge_table(actor=north.dispatcher, kind=kind, table=table)
        assert {str(line.fate) for line in judged.lines} == {"there"}, [line.wrong for line in judged.lines]
        assert len(judged.lines) == {"customers": 3, "sites": 2, "agreements": 1}.get(kind, len(judged.lines))
    with north.reading():
        rows = {row["code"]: row for row in rows_there.rows_there("units")}
    assert rows[hung["codes"][0]]["left_ml"] == 120
    assert rows[hung["codes"][4]].keys() == {"code", "model"}
    assert "as_of" not in rows[north.units[0].code]
    assert rows[north.units[0].code]["site"] == "S1"


def test_what_one_operator_wrote_down_another_can_begin_with(
    north: Cast, south: Cast, hung: dict[str, Any]
) -> None:
    imported(north, looked(north, "units", unit_rows(hung, 3)).id)
    text = export(north, "places", "csv").decode("utf-8-sig")
    importing.import_table(
        actor=south.owner,
        kind="places",
        table=importing.read_file(actor=south.owner, kind="places", content=text.encode()),
    )
    with north.reading():
        rows = [row for row in rows_there.rows_there("units") if row["code"] in hung["codes"]]

    told = imported(south, looked(south, "units", importing.writing.csv_of("units", rows)).id)

    assert (told.state, told.counts["wrong"]) == ("imported", 0)
    with south.reading():
        assert UnitState.objects.count() == 3
    assert opened(south, hung["codes"][0])[0]["left_ml"] == opened(north, hung["codes"][0])[0]["left_ml"]


def test_jobs_of_an_import_are_done_when_it_has_ended(north: Cast) -> None:
    imported(north, looked(north, "customers", rows_of(9)).id)

    with north.reading():
        jobs = Job.objects.filter(kind__contains="import")
        assert jobs.count() >= 2
        assert not jobs.filter(done_at=None).exists()


def test_doses_and_conditions_are_kept_as_they_are_typed(north: Cast, hung: dict[str, Any]) -> None:
    text = (
        "code,model,site,restroom,station,dose_ml_per_day,wick_condition,reservoir_cleaned_on\n"
        f"{hung['codes'][0]},{hung['model']},S1,Annex,1,9.5,Slow,2026-01-31\n"
    )

    imported(north, looked(north, "units", text).id)

    (said,) = opened(north, hung["codes"][0])
    assert (Decimal(said["dose_ml_per_day"]), said["wick_condition"]) == (Decimal("9.5"), "slow")
    assert said["reservoir_cleaned_on"] == "2026-01-31"
    assert said["as_of"] == str(clock.today("Europe/Berlin"))
