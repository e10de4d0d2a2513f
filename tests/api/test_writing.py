"""Customers, sites, terms and the fleet by the API: what is made, what is refused, and that a list is stored whole."""

from __future__ import annotations

import pytest

from tests.api.callers import made, office, refused

CUSTOMER = {"code": "C7", "name": "Lock Hotels", "country": "AT"}
SITE = {"code": "S7", "name": "Lock House", "kind": "hotel", "zone": "Europe/Vienna"}
TERMS = {"number": "A7", "anchor_on": "2026-07-20", "starts_on": "2026-07-01"}
CARTRIDGE = {"code": "C500", "name": "500 mL", "volume_ml": 500, "nominal_dose_ml_per_day": "12.5"}


# Customers, sites, service agreements


def test_a_program_brings_in_a_customer_its_site_and_its_terms(north):
    client = office(north)

    customer = made(client.send("customers", CUSTOMER))
    site = made(
        client.send(
            "sites",
            {**SITE, "customer": customer["id"], "latitude": "48.208174", "longitude": "16.373819"},
        )
    )
    agreement = made(client.send("service-agreements", {**TERMS, "site": site["id"]}))

    assert client.read(f"customers/{customer['id']}").json() == customer
    assert client.read(f"sites/{site['id']}").json() == site
    assert client.read(f"service-agreements/{agreement['id']}").json() == agreement
    assert (site["latitude"], site["crew"], agreement["interval_months"]) == ("48.208174", None, 1)
    assert (site["hardness_mg_per_l"], site["dust"]) == (None, "normal")
    greasy = {**SITE, "customer": customer["id"], "code": "S9", "hardness_mg_per_l": 310, "dust": "high"}
    kitchen = made(client.send("sites", greasy))
    assert (kitchen["hardness_mg_per_l"], kitchen["dust"]) == (310, "high")
    refused(client.send("customers", CUSTOMER), 409)


def test_a_list_is_added_whole_and_answered_in_its_order(north):
    client = office(north)

    rows = made(client.send("customers", [{**CUSTOMER, "code": code} for code in ("Z", "Y", "X")]))

    assert [row["code"] for row in rows] == ["Z", "Y", "X"]
    assert {"X", "Y", "Z"} <= {row["code"] for row in client.read("customers").json()["results"]}


@pytest.mark.parametrize(
    ("change", "status", "pointer"),
    [
        ({"code": "C1"}, 409, "/1/code"),
        ({"code": "C8"}, 409, "/1/code"),
        ({"country": "Austria"}, 400, "/1/country"),
        ({"name": "  "}, 400, "/1/name"),
        ({"colour": "red"}, 400, "/1/colour"),
    ],
    ids=["a code that exists", "a code sent twice", "a country in words", "no name", "an unknown field"],
)
def test_one_bad_row_takes_its_list_with_it(north, change, status, pointer):
    client = office(north)
    good = {**CUSTOMER, "code": "C8"}

    answer = client.send("customers", [good, {**CUSTOMER, **change}])

    assert refused(answer, status) == [pointer]
    assert [row["code"] for row in client.read("customers").json()["results"]] == ["C1"]


@pytest.mark.parametrize(("number", "status"), [(0, 400), (1_000, 201), (1_001, 413)])
def test_a_list_has_1_to_1000_rows(north, number, status):
    rows = [{**CUSTOMER, "code": str(index)} for index in range(number)]

    assert office(north).send("customers", rows).status_code == status


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"zone": "Europe/Nowhere"}, "/zone"),
        ({"latitude": "90.1", "longitude": "1"}, "/latitude"),
        ({"latitude": "1", "longitude": "-180.5"}, "/longitude"),
        ({"latitude": "1.0000001", "longitude": "1"}, "/latitude"),
        ({"latitude": "1"}, "/longitude"),
        ({"hardness_mg_per_l": -1}, "/hardness_mg_per_l"),
        ({"hardness_mg_per_l": 2_001}, "/hardness_mg_per_l"),
        ({"dust": "thick"}, "/dust"),
        ({"kind": "castle"}, "/kind"),
        ({"code": ""}, "/code"),
        ({"code": "S/7"}, "/code"),
        ({"code": ".."}, "/code"),
        ({"code": "S" * 21}, "/code"),
        ({"name": "N" * 201}, "/name"),
        ({"name": "a\x00b"}, "/name"),
        ({"area": "a" * 81}, "/area"),
        ({"customer": "C1"}, "/customer"),
    ],
)
def test_a_site_that_makes_no_sense_is_refused(north, change, pointer):
    client, site = office(north), {**SITE, "customer": str(north.customer.id)}

    assert refused(client.send("sites", {**site, **change}), 400) == [pointer]
    assert [row["code"] for row in client.read("sites").json()["results"]] == ["S1"]
    made(client.send("sites", site))


def test_a_sites_code_is_its_own(north):
    site = {**SITE, "code": "S1", "customer": str(north.customer.id)}

    assert refused(office(north).send("sites", site), 409) == ["/code"]


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"interval_months": 0}, "/interval_months"),
        ({"interval_months": 13}, "/interval_months"),
        ({"grace_before_days": 14}, "/grace_before_days"),
        ({"grace_before_days": -1}, "/grace_before_days"),
        ({"grace_after_days": 15}, "/grace_after_days"),
        ({"ends_on": "2026-07-01"}, "/ends_on"),
        ({"starts_on": "9999-12-31"}, "/starts_on"),
        ({"anchor_on": "0001-01-01"}, "/anchor_on"),
        ({"anchor_on": "20.7.2026"}, "/anchor_on"),
        ({"number": " "}, "/number"),
        ({"number": "A" * 31}, "/number"),
    ],
)
def test_terms_that_make_no_sense_are_refused(north, change, pointer):
    client = office(north)
    client.send(f"service-agreements/{north.agreement.id}/end", {"ends_on": "2026-07-01"})
    terms = {**TERMS, "site": str(north.site.id)}

    assert refused(client.send("service-agreements", {**terms, **change}), 400) == [pointer]
    made(client.send("service-agreements", terms))


def test_two_agreements_of_a_site_never_overlap(north):
    client, terms = office(north), {**TERMS, "site": str(north.site.id)}

    overlapping = client.send("service-agreements", terms)
    ended = client.send(f"service-agreements/{north.agreement.id}/end", {"ends_on": "2026-07-01"})
    again = client.send(f"service-agreements/{north.agreement.id}/end", {"ends_on": "2026-08-01"})

    assert overlapping.status_code == 409
    assert "overlap" in overlapping.json()["detail"]
    assert (ended.status_code, ended.json()["ends_on"]) == (200, "2026-07-01")
    assert again.status_code == 409
    made(client.send("service-agreements", terms))


@pytest.mark.parametrize("ends_on", ["2026-01-01", "9999-12-31", "soon", None])
def test_an_agreement_does_not_end_before_it_began_nor_at_the_end_of_days(north, ends_on):
    client, path = office(north), f"service-agreements/{north.agreement.id}"

    assert refused(client.send(f"{path}/end", {"ends_on": ends_on}), 400) == ["/ends_on"]
    assert client.read(path).json()["ends_on"] is None


def test_a_site_gets_another_usual_crew(north):
    client = office(north)
    crew = made(client.send("crews", {"name": "Crew B"}))

    changed = client.send(f"sites/{north.site.id}/usual-crew", {"crew": crew["id"]})

    assert (changed.status_code, changed.json()["crew"]) == (200, crew["id"])
    assert client.read(f"sites/{north.site.id}").json()["crew"] == crew["id"]
    assert refused(client.send(f"sites/{north.site.id}/usual-crew", {"crew": "B"}), 400) == ["/crew"]


@pytest.mark.parametrize(
    ("name", "status"), [("Crew A", 409), ("", 400), ("N" * 81, 400), ("Crew\x00", 400), (None, 400)]
)
def test_a_crew_has_a_name_of_its_own(north, name, status):
    assert office(north).send("crews", {"name": name}).status_code == status
    assert [crew["name"] for crew in office(north).read("crews").json()["results"]] == ["Crew A"]


# The fleet


def test_a_program_brings_in_the_fleet_and_prints_labels(north):
    client = office(north)

    model = made(client.send("unit-models", {"name": "Flush unit", "reservoir_ml": 60}))
    liquid = made(client.send("liquids", {"name": "Enzyme cleaner", "family": "enzyme"}))
    cartridge = made(client.send("cartridges", {**CARTRIDGE, "liquid": liquid["id"]}))
    rooms = made(
        client.send("restrooms", [{"site": str(north.site.id), "name": name} for name in ("East", "West")])
    )
    station = made(
        client.send("stations", {"restroom": rooms[1]["id"], "name": "left", "fixture": "water_closet"})
    )
    printed = made(client.send("units", {"unit_model": model["id"], "count": 3}))["units"]

    assert model in client.read("unit-models").json()["results"]
    assert liquid in client.read("liquids").json()["results"]
    assert cartridge in client.read("cartridges").json()["results"]
    assert station in client.read("stations", site=str(north.site.id)).json()["results"]
    assert (len({unit["code"] for unit in printed}), printed[0]["unit_model"]) == (3, model["id"])
    assert client.read(f"units/{printed[0]['id']}").json()["status"] == "printed"


@pytest.mark.parametrize(
    ("path", "body", "pointer"),
    [
        ("unit-models", {"name": "W", "reservoir_ml": -1}, "/reservoir_ml"),
        ("unit-models", {"name": "W", "reservoir_ml": 10**12}, "/reservoir_ml"),
        ("unit-models", {"name": "", "reservoir_ml": 40}, "/name"),
        ("liquids", {"name": "L", "family": "soap"}, "/family"),
        ("liquids", {"name": "L" * 81, "family": "acid"}, "/name"),
        ("cartridges", {**CARTRIDGE, "volume_ml": -500}, "/volume_ml"),
        ("cartridges", {**CARTRIDGE, "volume_ml": 0}, "/volume_ml"),
        ("cartridges", {**CARTRIDGE, "nominal_dose_ml_per_day": "-1"}, "/nominal_dose_ml_per_day"),
        ("cartridges", {**CARTRIDGE, "nominal_dose_ml_per_day": "0"}, "/nominal_dose_ml_per_day"),
        ("cartridges", {**CARTRIDGE, "nominal_dose_ml_per_day": "NaN"}, "/nominal_dose_ml_per_day"),
        ("cartridges", {**CARTRIDGE, "nominal_dose_ml_per_day": "1.2345"}, "/nominal_dose_ml_per_day"),
        ("cartridges", {**CARTRIDGE, "code": " "}, "/code"),
        ("stations", {"name": "1", "fixture": "bath"}, "/fixture"),
        ("stations", {"name": "1" * 81, "fixture": "urinal"}, "/name"),
        ("restrooms", {"name": ""}, "/name"),
    ],
)
def test_a_fleet_that_makes_no_sense_is_refused(north, path, body, pointer):
    named = {
        "cartridges": {"liquid": str(north.cartridge.liquid_id)},
        "restrooms": {"site": str(north.site.id)},
        "stations": {"restroom": str(north.stations[0].restroom_id)},
    }

    assert refused(office(north).send(path, {**named.get(path, {}), **body}), 400) == [pointer]


@pytest.mark.parametrize(
    ("path", "body", "pointer"),
    [
        ("unit-models", {"name": "Wall unit", "reservoir_ml": 40}, "/name"),
        ("liquids", {"name": "Scale remover", "family": "acid"}, "/name"),
        ("cartridges", {**CARTRIDGE, "code": "C280"}, "/code"),
        ("restrooms", {"name": "Ground floor"}, "/name"),
        ("stations", {"name": "1", "fixture": "urinal"}, "/name"),
    ],
)
def test_what_has_the_name_of_another_is_refused(north, path, body, pointer):
    named = {
        "cartridges": {"liquid": str(north.cartridge.liquid_id)},
        "restrooms": {"site": str(north.site.id)},
        "stations": {"restroom": str(north.stations[0].restroom_id)},
    }

    assert refused(office(north).send(path, {**named.get(path, {}), **body}), 409) == [pointer]


def test_labels_printed_elsewhere_are_taken_in_any_spelling_and_once(north, south):
    client, model = office(north), str(north.unit.unit_model_id)
    their_model = str(south.unit.unit_model_id)
    (theirs,) = made(office(south).send("units", {"unit_model": their_model, "count": 1}))["units"]
    code = theirs["code"]
    spelt = f" {code[:4].lower()}-{code[4:]}"

    taken = made(client.send("units", {"unit_model": model, "codes": [spelt]}))["units"]
    again = client.send("units", {"unit_model": model, "codes": [code]})

    assert [unit["code"] for unit in taken] == [code]
    assert refused(again, 409) == ["/codes/0"]


@pytest.mark.parametrize(
    ("wanted", "pointer"),
    [
        ({}, "/count"),
        ({"count": 0}, "/count"),
        ({"count": 2_001}, "/count"),
        ({"codes": []}, "/codes"),
        ({"codes": ["ABC"]}, "/codes/0"),
        ({"codes": ["A" * 21]}, "/codes/0"),
        ({"count": 2, "codes": ["3XGEXCPXX"]}, "/count"),
    ],
)
def test_labels_that_can_not_be_printed_are_refused(north, wanted, pointer):
    answer = office(north).send("units", {"unit_model": str(north.unit.unit_model_id), **wanted})

    assert refused(answer, 400) == [pointer]
    assert len(office(north).read("units").json()["results"]) == len(north.units)
