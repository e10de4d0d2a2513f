"""Longer files on pages: the bar, what was found, the import, and what is there as files."""

from __future__ import annotations

import io
import re
from datetime import timedelta
from typing import Any
from uuid import UUID

from django.core.files.uploadedfile import SimpleUploadedFile
from openpyxl import Workbook, load_workbook

from accounts import clock
from accounts import queries as accounts
from accounts.jobs.long import LongWork
from accounts.permissions import Role
from servicing.commands import importing
from tests.cast import Cast
from tests.pages.visitors import Visitor, signed_in, text_of

ROWS = "code,name,country\n" + "".join(f"C{n},Customer {n},DE\n" for n in range(100, 5_101)) + "C1,Other,DE\n"


def address(cast: Cast, rest: str = "") -> str:
    return f"/{cast.operator.slug}/set-up/import{rest}"


def sent(
    visitor: Visitor, cast: Cast, content: bytes, kind: str = "customers", name: str = "rows.csv"
) -> Any:
    return visitor.submit(address(cast), kind=kind, file=SimpleUploadedFile(name, content))


def work_off(cast: Cast) -> None:
    """Do whatever long work of imports is owed, and let a second pass."""
    clock.set_to(clock.now() + timedelta(seconds=1))
    with cast.reading():
        owed = list(LongWork.objects.filter(ended_at=None).values_list("kind", "job_id"))
    for kind, job_id in owed:
        run = importing.run_look if "look" in kind else importing.run_import
        run(cast.operator.id, job_id)


def codes(cast: Cast) -> set[str]:
    with cast.reading():
        return set(accounts.customers().values_list("code", flat=True))


def test_a_longer_file_is_looked_at_by_the_worker_and_then_imported(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    answer = sent(visitor, north, ROWS.encode(), name="ours.csv")
    assert answer.status_code == 302
    page = visitor.get(answer["Location"])
    said = text_of(page)
    assert "The rows of ours.csv are being looked at; nothing is imported yet." in said
    assert 'http-equiv="refresh"' in page.content.decode()
    assert "is being looked at" in text_of(visitor.get(address(north)))

    work_off(north)
    page = visitor.get(answer["Location"])
    said = text_of(page)
    assert "5,001 of 5,002 rows are good and new; nothing is imported yet." in said
    assert "C1 is there already, with another name." in said
    assert 'http-equiv="refresh"' not in page.content.decode()
    (left_out,) = re.findall(r'href="([^"]+left-out.csv)"', page.content.decode())
    assert visitor.get(left_out).content.decode("utf-8-sig").splitlines()[1].startswith("C1,Other,DE,")
    assert codes(north) == {"C1"}

    refused = visitor.submit(f"{answer['Location']}/rows", only_if_all_good="yes")
    assert refused.status_code == 302
    work_off(north)
    said = text_of(visitor.get(answer["Location"]))
    assert "ours.csv was not imported." in said
    assert "all were to be good. Nothing was imported." in said
    assert codes(north) == {"C1"}

    assert visitor.submit(f"{answer['Location']}/rows").status_code == 302
    assert "The rows of ours.csv are being imported." in text_of(visitor.get(answer["Location"]))
    work_off(north)
    said = text_of(visitor.get(answer["Location"]))
    assert "5,001 rows are imported." in said
    assert "1 row was left out: correct it and send it again." in said
    assert "Go on with: Sites" in said
    assert len(codes(north)) == 5_002
    assert "imported" in text_of(visitor.get(address(north)))


def test_a_short_workbook_is_looked_at_at_once(north: Cast) -> None:
    book = Workbook()
    for row in (["code", "name", "country"], ["C2", "Ferry Office", "DE"], ["C3", "=A1", "DE"]):
        book.active.append(row)
    book.create_sheet("Secret").sheet_state = "hidden"
    out = io.BytesIO()
    book.save(out)
    visitor = signed_in(north, Role.DISPATCHER)

    page = sent(visitor, north, out.getvalue(), name="ours.xlsx")

    said = text_of(page)
    assert "1 of 2 rows is good and new; nothing is imported yet." in said
    assert "name: The cell holds a formula, which is not worked out here." in said
    assert "Hidden sheets are not read: Secret." in said
    packed = re.search(r'name="packed" value="([^"]+)"', page.content.decode())
    assert packed is not None
    refused = visitor.submit(address(north, "/rows"), packed=packed[1], only_if_all_good="yes")
    assert (refused.status_code, codes(north)) == (400, {"C1"})
    assert "1 row is imported." in text_of(visitor.submit(address(north, "/rows"), packed=packed[1]))
    assert codes(north) == {"C1", "C2"}


def test_a_file_that_can_t_be_read_says_so_on_its_page(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    answer = sent(visitor, north, b"code,model\n", kind="units")
    work_off(north)

    said = text_of(visitor.get(answer["Location"]))

    assert "rows.csv was not imported." in said
    assert "There is no row below the names of the columns." in said
    late = visitor.submit(f"{answer['Location']}/rows")
    assert late.status_code == 409
    assert "not looked at to its end" in text_of(late)


def test_empty_files_and_what_is_there_come_as_csv_and_as_workbooks(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)

    for kind in importing.KINDS:
        for rest in (f"/{kind}", f"/there/{kind}"):
            csv, book = (
                visitor.get(address(north, f"{rest}.csv")),
                visitor.get(address(north, f"{rest}.xlsx")),
            )
            first = csv.content.decode("utf-8-sig").splitlines()
            sheet = load_workbook(io.BytesIO(book.content)).active
            assert first[0].split(",") == [cell.value for cell in sheet[1]]
            assert len(first) == sheet.max_row == (1 if rest == f"/{kind}" else len(first))
            assert book["Content-Type"] == importing.workbooks.MEDIA_TYPE
    assert visitor.get(address(north, "/there/invoices.csv")).status_code == 404
    assert signed_in(north, Role.VIEWER).get(address(north, "/there/sites.csv")).status_code == 403


def test_nobody_sees_another_operator_s_file(north: Cast, south: Cast) -> None:
    answer = sent(signed_in(north, Role.DISPATCHER), north, ROWS.encode())
    look_id = UUID(answer["Location"].rsplit("/", 1)[1])
    rival = signed_in(south, Role.OWNER)

    for rest in (f"/{look_id}", f"/{look_id}/left-out.csv"):
        assert rival.get(address(south, rest)).status_code == 404
    assert rival.submit(address(south, f"/{look_id}/rows")).status_code == 404
