"""Importing on pages: look at the rows first, import the good ones, fetch the others back."""

from __future__ import annotations

import re
from typing import Any

from django.core.files.uploadedfile import SimpleUploadedFile

from accounts import queries as accounts
from accounts.permissions import Role
from tests.cast import Cast
from tests.pages.visitors import signed_in, text_of

ROWS = "code,name,country\nC1,Quay Schools,DE\nC2,Ferry Office,DE\nC3,,DE\n"


def address(cast: Cast, rest: str = "") -> str:
    return f"/{cast.operator.slug}/set-up/import{rest}"


def sent(text: str, kind: str = "customers") -> dict[str, Any]:
    return {"kind": kind, "file": SimpleUploadedFile("rows.csv", text.encode(), content_type="text/csv")}


def packed_in(response: Any) -> str:
    found = re.search(r'name="packed" value="([^"]+)"', response.content.decode())
    assert found is not None
    return found[1]


def codes(cast: Cast) -> set[str]:
    with cast.reading():
        return set(accounts.customers().values_list("code", flat=True))


def test_a_look_stores_nothing_and_the_import_stores_the_good_rows(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    page = visitor.submit(address(north), **sent(ROWS))
    said = text_of(page)
    assert "1 of 3 rows is good and new; nothing is imported yet." in said
    assert "1 row is there already and stays as it is." in said
    assert "The column name is empty." in said
    assert codes(north) == {"C1"}
    done = visitor.submit(address(north, "/rows"), packed=packed_in(page))
    assert "1 row is imported." in text_of(done)
    assert "1 row was left out: correct it and send it again." in text_of(done)
    assert codes(north) == {"C1", "C2"}
    again = visitor.submit(address(north, "/rows"), packed=packed_in(page))
    assert "Nothing was new, so nothing was imported." in text_of(again)
    assert codes(north) == {"C1", "C2"}


def test_rows_that_were_left_out_come_back_with_their_reasons(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    page = visitor.submit(address(north), **sent(ROWS))
    back = visitor.submit(address(north, "/left-out"), packed=packed_in(page))
    assert back["Content-Disposition"] == 'attachment; filename="customers-left-out.csv"'
    assert back.content.decode("utf-8-sig").splitlines() == [
        "code,name,country,reason",
        "C3,,DE,The column name is empty.",
    ]


def test_a_file_that_cant_be_read_is_refused_with_its_reason(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    answer = visitor.submit(address(north), **sent("code,name\nC1,One\n"))
    assert answer.status_code == 422
    assert "The first row lacks the column country." in text_of(answer)
    assert visitor.submit(address(north), kind="customers").status_code == 422


def test_a_packed_file_is_of_this_operator_and_as_it_was_looked_at(north: Cast, south: Cast) -> None:
    theirs = packed_in(signed_in(south, Role.DISPATCHER).submit(address(south), **sent(ROWS)))
    visitor = signed_in(north, Role.DISPATCHER)
    for packed in (theirs, "", "x" + theirs):
        answer = visitor.submit(address(north, "/rows"), packed=packed)
        assert answer.status_code == 400
        assert "nothing was imported" in text_of(answer)
    assert codes(north) == {"C1"}


def test_templates_have_the_names_of_the_columns(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    file = visitor.get(address(north, "/sites.csv"))
    assert file.content.decode("utf-8-sig").startswith("code,customer,name,kind,zone,")
    assert visitor.get(address(north, "/invoices.csv")).status_code == 404
    page = text_of(visitor.get(address(north)))
    assert "Up to 100,000 rows." in page
    assert signed_in(north, Role.VIEWER).get(address(north)).status_code == 403
