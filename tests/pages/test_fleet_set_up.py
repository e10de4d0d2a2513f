"""What the office sets up of the fleet: liquids and units, restrooms and stations, labels, safety data sheets."""

from __future__ import annotations

import io
from datetime import date
from typing import Any

import pypdf
from django.core.files.uploadedfile import SimpleUploadedFile

from accounts import tenancy
from accounts.commands import operators
from accounts.models import Operator
from accounts.permissions import Role
from fleet import commands, queries
from tests.cast import Cast
from tests.pages.visitors import Visitor, signed_in, text_of

PDF = b"%PDF-1.7\n% a sheet\n%%EOF\n"


def set_up(cast: Cast, path: str) -> str:
    return f"/{cast.operator.slug}/set-up/{path}"


def measured_in_us_units(cast: Cast) -> None:
    with tenancy.writing(cast.owner):
        Operator.objects.filter(id=cast.operator.id).update(measures="us")


def test_a_liquid_its_cartridge_and_a_model_are_entered_in_turn(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    liquid = {"liquid-name": "Enzyme cleaner", "liquid-family": "enzyme", "liquid-caution": "Rinse."}
    assert visitor.submit(set_up(north, "fleet/liquid"), **liquid).status_code == 302
    with north.reading():
        made = queries.liquids().get(name="Enzyme cleaner")
    cartridge = {"cartridge-code": "E300", "cartridge-name": "Enzyme 300", "cartridge-liquid": str(made.id)}
    cartridge |= {"cartridge-volume_ml": "300", "cartridge-nominal_dose_ml_per_day": "9.25"}
    visitor.submit(set_up(north, "fleet/cartridge"), **cartridge)
    visitor.submit(set_up(north, "fleet/model"), **{"model-name": "Corner unit", "model-reservoir_ml": "55"})
    said = text_of(visitor.get(set_up(north, "fleet")))
    assert "2 cartridges can be put into your units." in said
    assert "Enzyme 300 E300 300 mL Enzyme cleaner 9.3 mL a day" in said
    assert "Corner unit 55 mL" in said
    again = visitor.submit(set_up(north, "fleet/liquid"), **liquid)
    assert again.status_code == 409
    assert "Enzyme cleaner, exists already" in text_of(again)
    assert "Rinse." in again.content.decode()


def test_volumes_are_typed_and_read_in_the_operators_units(north: Cast) -> None:
    measured_in_us_units(north)
    visitor = signed_in(north, Role.DISPATCHER)
    cartridge = {"cartridge-code": "US", "cartridge-name": "Ten", "cartridge-volume_ml": "10"}
    cartridge |= {
        "cartridge-nominal_dose_ml_per_day": "0.3",
        "cartridge-liquid": str(north.cartridge.liquid_id),
    }
    assert visitor.submit(set_up(north, "fleet/cartridge"), **cartridge).status_code == 302
    with north.reading():
        made = queries.cartridges().get(code="US")
    # NIST Handbook 44, appendix C: a US fluid ounce is 29.57353 mL.
    assert (made.volume_ml, made.nominal_dose_ml_per_day) == (296, made.nominal_dose_ml_per_day)
    assert abs(float(made.nominal_dose_ml_per_day) - 0.3 * 29.57353) < 0.001
    said = text_of(visitor.get(set_up(north, "fleet")))
    assert "US 10.0 fl oz" in said
    assert "0.30 fl oz a day" in said
    assert "Volume, fl oz" in said
    assert "mL a day" not in said


def test_a_cartridge_needs_a_volume_and_a_dose_that_can_be(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    wrong = {"cartridge-code": "X", "cartridge-name": "X", "cartridge-liquid": str(north.cartridge.liquid_id)}
    wrong |= {"cartridge-volume_ml": "0", "cartridge-nominal_dose_ml_per_day": "501"}
    answer = visitor.submit(set_up(north, "fleet/cartridge"), **wrong)
    assert answer.status_code == 422
    assert "Enter a volume from 1 mL to 20,000 mL." in text_of(answer)
    assert "Enter a dose from 0.1 mL a day to 500.0 mL a day." in text_of(answer)


def test_a_liquids_caution_is_put_otherwise_and_its_family_stays(north: Cast, south: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    address = set_up(north, f"fleet/liquid/{north.cartridge.liquid_id}")
    values = {"name": "Scale remover 2", "caution": "Goggles.", "family": "neutral"}
    assert visitor.submit(address, **values).status_code == 302
    with north.reading():
        liquid = queries.get_liquid(north.cartridge.liquid_id)
    assert (liquid.name, liquid.caution, liquid.family) == ("Scale remover 2", "Goggles.", "acid")
    commands.add_liquid(actor=north.owner, name="Other", family="neutral")
    taken = visitor.submit(address, name="Other", caution="")
    assert taken.status_code == 422
    assert "another liquid of this name" in text_of(taken)
    theirs = set_up(north, f"fleet/liquid/{south.cartridge.liquid_id}")
    assert visitor.get(theirs).status_code == 404


def test_a_restroom_is_added_with_its_fixtures_numbered(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    address = f"/{north.operator.slug}/sites/S1/rooms"
    assert "Marl Quay School has 3 stations; 3 of them are empty." in text_of(visitor.get(address))
    answer = visitor.submit(address, name="First floor, men", urinals="3", water_closets="2")
    assert answer.status_code == 302
    with north.reading():
        room = next(one for one in queries.rooms_of_site(north.site.id) if one.name == "First floor, men")
    assert [(one.station, one.fixture) for one in room.stations] == [
        ("Urinal 1", "urinal"),
        ("Urinal 2", "urinal"),
        ("Urinal 3", "urinal"),
        ("Water closet 1", "water_closet"),
        ("Water closet 2", "water_closet"),
    ]
    again = visitor.submit(address, name="First floor, men", urinals="1")
    assert again.status_code == 409
    with north.reading():
        assert len(queries.stations_of_site(north.site.id)) == 8


def test_fixtures_are_numbered_on_and_called_as_the_operator_speaks(north: Cast) -> None:
    with tenancy.writing(north.owner):
        Operator.objects.filter(id=north.operator.id).update(locale="de-DE")
    room = commands.add_restroom_with_fixtures(
        actor=north.owner, site_id=north.site.id, name="Erdgeschoss", urinals=1
    )
    more = commands.add_fixtures(actor=north.owner, restroom_id=room.id, urinals=2, water_closets=1)

    assert [one.name for one in more] == ["Urinal 2", "Urinal 3", "Toilette 1"]


def test_rooms_and_stations_are_renamed_where_they_are(north: Cast, south: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    site = f"/{north.operator.slug}/sites/S1"
    with north.reading():
        room = queries.rooms_of_site(north.site.id)[0]
    station = room.stations[0].station_id
    assert visitor.submit(f"{site}/rooms/{room.id}", what="name", **{"room-name": "Hall"}).status_code == 302
    assert visitor.submit(f"{site}/stations/{station}", name="Left wall").status_code == 302
    taken = visitor.submit(f"{site}/stations/{station}", name="2")
    assert (taken.status_code, "There is one of this name here already: 2." in text_of(taken)) == (422, True)
    said = text_of(visitor.get(f"{site}/rooms"))
    assert "Hall" in said
    assert "Left wall" in said
    added = {"station-name": "Behind the door", "station-fixture": "water_closet"}
    assert visitor.submit(f"{site}/rooms/{room.id}", what="station", **added).status_code == 302
    assert "Behind the door" in text_of(visitor.get(f"{site}/rooms"))
    none = visitor.submit(f"{site}/rooms/{room.id}", what="fixtures")
    assert "Say how many urinals or water closets there are" in text_of(none)
    theirs = south.stations[0].id
    assert visitor.get(f"{site}/stations/{theirs}").status_code == 404


def test_labels_are_printed_listed_until_they_hang_and_fetched_as_sheets(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    north.upload(north.installed())
    answer = visitor.submit(
        set_up(north, "labels/print"), unit_model=str(north.unit.unit_model_id), count="40"
    )
    assert answer["Location"].endswith("/set-up/labels?done=40")
    page = visitor.get(answer["Location"])
    assert "42 printed labels are waiting for a wall." in text_of(page)
    assert "40 labels are made. Fetch their sheet below" in text_of(page)
    assert "42 of 43 hang nowhere yet." in text_of(page)
    assert north.unit.code not in page.content.decode()
    wanted = {"printed_at": north.unit.printed_at.isoformat(), "model": str(north.unit.unit_model_id)}
    sheet = visitor.get(set_up(north, "labels/sheet.pdf"), {**wanted, "paper": "letter", "skip": "30"})
    assert sheet["Content-Type"] == "application/pdf"
    pages = pypdf.PdfReader(io.BytesIO(sheet.content)).pages
    # Five labels on the first sheet behind 30 used places, 35 on the second, 2 on the third.
    assert [one.extract_text().count(north.operator.name) for one in pages] == [5, 35, 2]


def test_one_label_is_printed_again_and_a_rivals_is_not(north: Cast, south: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    address = set_up(north, "labels/sheet.pdf")
    again = visitor.get(address, {"code": north.unit.code.lower()})
    text = pypdf.PdfReader(io.BytesIO(again.content)).pages[0].extract_text()
    assert " ".join(north.unit.code[at : at + 3] for at in (0, 3, 6)) in text
    assert visitor.get(address, {"code": south.unit.code}).status_code == 404
    assert visitor.get(address, {"printed_at": "soon"}).status_code == 400
    assert signed_in(north, Role.VIEWER).get(address, {"code": north.unit.code}).status_code == 403


def sheet_form(cast: Cast, **rest: Any) -> dict[str, Any]:
    file = SimpleUploadedFile("sheet.pdf", PDF, content_type="application/pdf")
    values = {"liquid": str(cast.cartridge.liquid_id), "revision_on": "2025-03-01", "language": "en"}
    return {**values, "content": file, **rest}


def test_a_missing_sheet_is_named_until_it_is_added(north: Cast) -> None:
    office = signed_in(north, Role.DISPATCHER)
    address = set_up(north, "safety-sheets")
    assert "1 liquid has no safety data sheet here: Scale remover." in text_of(office.get(address))
    assert office.submit(f"{address}/add", **sheet_form(north)).status_code == 302
    assert "Every liquid has its safety data sheet" in text_of(office.get(address))
    with north.reading():
        sheet = queries.safety_sheets()[0]
    crew = signed_in(north, Role.CREW_MEMBER)
    fetched = crew.get(f"{address}/{sheet.id}.pdf")
    assert fetched.content == PDF
    assert fetched["Content-Disposition"] == 'attachment; filename="sds-scale-remover-2025-03-01-en.pdf"'
    assert "Add a sheet" not in text_of(crew.get(address))
    assert crew.submit(f"{address}/add", **sheet_form(north)).status_code == 403
    assert office.submit(f"{address}/{sheet.id}/remove").status_code == 302
    assert "has no safety data sheet here" in text_of(office.get(address))


def test_an_old_sheet_is_said_to_be_old_and_no_pdf_is_refused(north: Cast, south: Cast) -> None:
    office = signed_in(north, Role.DISPATCHER)
    address = set_up(north, "safety-sheets")
    office.submit(f"{address}/add", **sheet_form(north, revision_on="2023-06-14"))
    said = text_of(office.get(address))
    # The cast's clock stands on 15 June 2026.
    assert "1 of them is older than three years." in said
    assert "ask the supplier for a newer one" in said
    bad = SimpleUploadedFile("sheet.pdf", b"<html>", content_type="application/pdf")
    refused = office.submit(f"{address}/add", **sheet_form(north, content=bad, revision_on="2026-01-01"))
    assert refused.status_code == 400
    assert "This file is no PDF." in text_of(refused)
    theirs = commands.add_safety_sheet(
        actor=south.owner,
        liquid_id=south.cartridge.liquid_id,
        revision_on=date(2025, 1, 1),
        language="en",
        content=PDF,
    )
    assert office.get(f"{address}/{theirs.id}.pdf").status_code == 404


def test_an_operator_with_nothing_is_told_where_to_begin(north: Cast) -> None:
    bare = operators.create_operator(
        slug=f"bare-{north.operator.slug}", name="Bare", legal_name="Bare", currency="EUR", zone="UTC"
    )
    first = operators.system_actor(bare.id)
    user = north.users[Role.OWNER]
    operators.add_member(actor=first, user_id=user.id, role=Role.OWNER, name=user.name)
    visitor = Visitor()
    visitor.force_login(user)
    said = [
        text_of(visitor.get(f"/{bare.slug}/set-up/{page}")) for page in ("fleet", "labels", "safety-sheets")
    ]
    assert "No liquid is entered yet: begin with it" in said[0]
    assert "no model is entered yet" in said[1]
    assert "no liquid is entered yet" in said[2]


def test_the_pages_are_read_in_german(north: Cast) -> None:
    with tenancy.writing(north.owner):
        Operator.objects.filter(id=north.operator.id).update(locale="de-DE")
    visitor = signed_in(north, Role.DISPATCHER)
    site = f"/{north.operator.slug}/sites/S1"
    said = {
        set_up(north, "fleet"): "1 Kartusche kann in Ihre Geräte eingesetzt werden.",
        set_up(north, "labels"): "3 gedruckte Etiketten warten auf ihre Wand.",
        set_up(
            north, "safety-sheets"
        ): "Für 1 Flüssigkeit fehlt hier das Sicherheitsdatenblatt: Scale remover.",
        set_up(north, "import"): "Bis zu 100.000 Zeilen.",
        f"{site}/rooms": "Marl Quay School hat 3 Plätze; 3 davon sind leer.",
        f"{site}/install": "Marl Quay School: 3 von 3 Plätzen leer.",
    }
    assert {path: words in text_of(visitor.get(path)) for path, words in said.items()} == dict.fromkeys(
        said, True
    )
