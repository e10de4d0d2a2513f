"""Files of rows by the API: sent, looked at by the workers, told, imported."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

from accounts import clock
from accounts.jobs.long import LongWork
from accounts.permissions import Permission, Role
from servicing.commands import importing
from tests.api.callers import Api, program_of, signed_in
from tests.cast import Cast

ROWS = b"code,name,country\nC2,Ferry Office,DE\nC3,,DE\nC1,Quay Schools,DE\n"


def send(
    api: Api, content: bytes = ROWS, kind: str = "customers", media: str = "text/csv", **rest: Any
) -> Any:
    return api.post(f"/api/v1/imports?kind={kind}&name=rows.csv", content, content_type=media, **rest)


def work_off(cast: Cast) -> None:
    """Do whatever long work of imports is owed, and let a second pass."""
    clock.set_to(clock.now() + timedelta(seconds=1))
    with cast.reading():
        owed = list(LongWork.objects.filter(ended_at=None).values_list("kind", "job_id"))
    for kind, job_id in owed:
        run = importing.run_look if "look" in kind else importing.run_import
        run(cast.operator.id, job_id)


def carry_out(api: Api, address: str, **asked: Any) -> Any:
    return api.post(f"{address}/carry-out", json.dumps(asked), content_type="application/json")


def test_a_file_is_sent_told_and_imported(north: Cast) -> None:
    api = signed_in(north, Role.DISPATCHER)

    answer = send(api)
    told = answer.json()
    address = answer["Location"]

    assert (answer.status_code, told["state"], told["counts"], told["of"]) == (202, "looking", None, 0)
    assert address == f"/api/v1/imports/{told['id']}"
    assert carry_out(api, address).status_code == 409
    work_off(north)
    told = api.get(address).json()
    assert (told["state"], told["rows"]) == ("looked_at", 3)
    assert told["counts"] == {"new": 1, "there": 1, "wrong": 1}
    assert told["wrong_rows"] == [{"line": 3, "says": "C3, DE", "reasons": ["The column name is empty."]}]
    back = api.get(f"{address}/left-out")
    assert back.content.decode().splitlines() == [
        "code,name,country,reason",
        "C3,,DE,The column name is empty.",
    ]
    refused = carry_out(api, address, only_if_all_good=True)
    assert (refused.status_code, refused.json()["state"]) == (202, "importing")
    work_off(north)
    assert "all were to be good" in api.get(address).json()["said"]
    assert carry_out(api, address).status_code == 202
    work_off(north)
    told = api.get(address).json()
    assert (told["state"], told["counts"]) == ("imported", {"new": 1, "there": 1, "wrong": 1})
    assert [row["code"] for row in api.get("/api/v1/customers").json()["results"]] == ["C1", "C2"]


def test_the_same_key_sends_it_once_and_the_same_file_is_one_look(north: Cast) -> None:
    api = signed_in(north, Role.DISPATCHER)

    first = send(api, headers={"Idempotency-Key": '"k1"'})
    again = send(api, headers={"Idempotency-Key": '"k1"'})
    other = send(api)

    assert first.json() == again.json()
    assert other.json()["id"] == first.json()["id"]


def test_what_is_no_such_file_or_kind_is_refused(north: Cast) -> None:
    api = signed_in(north, Role.DISPATCHER)

    assert send(api, kind="invoices").json()["errors"][0]["pointer"] == "/kind"
    assert send(api, b"").json()["errors"][0] == {
        "pointer": "/file", "code": "empty", "detail": "This file is empty.",
    }  # fmt: skip
    assert send(api, media="application/json").status_code == 415
    assert send(api, b"x" * (importing.MOST_BYTES + 1)).status_code == 413
    with north.reading():
        assert not LongWork.objects.exists()


def test_a_program_imports_the_kinds_that_its_scopes_let_it_add(north: Cast) -> None:
    fleet = program_of(north, Permission.FLEET_MANAGE)
    both = program_of(north, Permission.FLEET_MANAGE, Permission.CUSTOMERS_MANAGE)

    assert send(fleet).status_code == 403
    answer = send(both)
    work_off(north)

    assert both.get(answer["Location"]).json()["state"] == "looked_at"
    # Who may not read customers is told nothing of their rows.
    assert fleet.get(answer["Location"]).status_code == 403
    assert fleet.get(f"{answer['Location']}/left-out").status_code == 403
    assert carry_out(fleet, answer["Location"]).status_code == 403
    assert carry_out(both, answer["Location"]).status_code == 202
