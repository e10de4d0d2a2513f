"""Every door that takes a file, and files that are not what they say: told by their content, drawn anew or refused in words.

OWASP ASVS 5.0, chapter V5 (file handling), and 1.5.1 (XML).
"""

from __future__ import annotations

import gzip
import io
import re
import zlib
from pathlib import Path
from typing import Any
from urllib.parse import urlencode
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image, PngImagePlugin

from accounts import queries as accounts
from accounts.errors import BadInput, TooLarge
from accounts.jobs.long import LongWork
from accounts.permissions import Role
from fleet import queries as fleet
from servicing.commands.importing import run_look
from servicing.queries.photos import photo_content, photos_of_unit
from servicing.rules.pictures import MOST_BYTES, drawn_anew
from tests.api.callers import ROOT, made, phone_of, signed_in
from tests.api.hostile import (
    SCRIPT,
    SVG,
    header,
    jpeg,
    located,
    png,
    png_of,
    text_chunk,
    with_segment,
    zipped,
)
from tests.billing.bank.files import Entry, camt
from tests.billing.bank.files import Said as Statement
from tests.cast import Cast
from tests.pages import visitors

TREE = Path(__file__).resolve().parents[2]
APPS = ("accounts", "fleet", "servicing", "billing", "config")
# Where files come in, by what takes them: each is tried below.
DOORS = {
    "servicing/pages/importing.py",
    "fleet/pages/sheets.py",
    "servicing/api/imports.py",
    "servicing/api/photos.py",
    "billing/api/bank_files.py",
    "billing/pages/bank_files.py",
}


def test_every_door_that_takes_a_file_is_tried_here():
    takes = re.compile(r"forms\.(File|Image)Field|parser_classes = |MultiPartParser\b|request\.FILES")
    found = {
        str(path.relative_to(TREE))
        for app in APPS
        for path in (TREE / app).rglob("*.py")
        if takes.search(path.read_text())
    }

    # What carries a form through a question names files only to say that they are lost.
    assert found - {"accounts/pages/confirming.py", "config/middleware.py", "config/settings.py"} == DOORS


# Photos


def send(cast: Cast, content: bytes, media: str = "image/jpeg") -> Any:
    said = {"id": uuid4(), "unit": cast.unit.id, "taken_at": "2026-06-15T13:59:00+02:00"}
    query = urlencode({name: str(value) for name, value in said.items()})
    return phone_of(cast).post(f"{ROOT}photos?{query}", content, content_type=media)


NO_PICTURES = {
    "a drawing with a script": SVG,
    "a page": SCRIPT,
    "a page behind the first bytes of a picture": b"\xff\xd8\xff\xe0" + SCRIPT,
    "a picture of another kind": b"GIF89a" + b"\x01\x00\x01\x00\x80\x00\x00" + b"\0" * 20,
    "a picture of another kind, whole": b"RIFF\x1a\x00\x00\x00WEBPVP8L\x0d\x00\x00\x00\x2f\x00\x00\x00\x10\x07\x10\x11\x11\x88\x88\xfe\x07\x00",
    "an archive": zipped(),
    "a document": b"%PDF-1.7\n%%EOF",
    "PostScript, which another program would draw": b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n",
    "cut off": jpeg()[: len(jpeg()) // 2],
    "cut off in its header": jpeg()[:20],
    "nothing": b"",
    "pixels that are no packed data": png_of(header(64, 48), (b"IDAT", b"\0" * 40), (b"IEND", b"")),
    "fewer pixels than it says": png_of(header(64, 48), (b"IDAT", zlib.compress(b"\0" * 40)), (b"IEND", b"")),
    "a text that unpacks to 200 MB": png_of(
        header(64, 48),
        (b"zTXt", text_chunk(200_000_000)),
        (b"IDAT", zlib.compress(b"\0" * 49 * 65)),
        (b"IEND", b""),
    ),
}


@pytest.mark.parametrize("content", NO_PICTURES.values(), ids=NO_PICTURES.keys())
@pytest.mark.parametrize("media", ["image/jpeg", "image/png"])
def test_what_is_no_picture_is_refused_whatever_it_says_it_is(north, content, media):
    answer = send(north, content, media)

    assert answer.status_code == 400
    assert "not a JPEG or PNG" in answer.json()["detail"]
    with north.reading():
        assert photos_of_unit(north.unit.id) == []


def test_a_small_file_of_more_pixels_than_memory_is_refused_by_its_header(north):
    rows = zlib.compressobj(9)
    packed = b"".join(rows.compress(b"\0" * 20_001) for _ in range(20_000)) + rows.flush()
    bomb = png_of(header(20_000, 20_000), (b"IDAT", packed), (b"IEND", b""))
    assert len(bomb) < MOST_BYTES

    answer = send(north, bomb, "image/png")

    assert answer.status_code == 413
    assert "25 million pixels" in answer.json()["detail"]


SAID = PngImagePlugin.PngInfo()
SAID.add_text("x", SCRIPT.decode())
HIDING = {
    "an archive behind it": jpeg() + zipped(),
    "a page behind it": jpeg() + SCRIPT,
    "a page in its comment": with_segment(0xFE, SCRIPT),
    "a page where a program keeps its own": with_segment(0xED, SCRIPT),
    "a page where colours are explained": jpeg(icc_profile=SCRIPT * 10),
    "where it was taken": located(),
    "a page in a text of it": png(pnginfo=SAID),
    "a page behind its end": png() + SCRIPT,
}


@pytest.mark.parametrize("content", HIDING.values(), ids=HIDING.keys())
def test_of_a_picture_that_hides_something_the_picture_is_kept_and_nothing_else(north, content):
    # Of whichever kind it says it is: the content tells.
    photo_id = made(send(north, content, "image/png"))["id"]

    shown = signed_in(north).get(f"{ROOT}photos/{photo_id}")

    for hidden in (b"<script", b"a.html", b"PK\x03\x04", b"Exif", b"Invented", b"ICC_PROFILE", b"Photoshop"):
        assert hidden not in shown.content
    with Image.open(io.BytesIO(shown.content)) as seen:
        assert (seen.format, seen.size, dict(seen.getexif())) == ("JPEG", (64, 48), {})
    # A JPEG ends with the marker EOI (ITU-T T.81, annex B): nothing stands behind it.
    assert shown.content.endswith(b"\xff\xd9")
    assert shown.content.count(b"\xff\xd8") == 1


PICTURES = (jpeg(), jpeg(progressive=True), located(), png(), png_of(header(2, 2), (b"IEND", b"")))


# What a decoder warns of is read no further.
@pytest.mark.filterwarnings("ignore::UserWarning")
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.sampled_from(PICTURES),
    st.lists(
        st.tuples(st.floats(0, 1, exclude_max=True), st.binary(max_size=6), st.integers(0, 6)), max_size=6
    ),
)
def test_no_spoiled_picture_is_anything_but_drawn_or_refused(content, spoilt):
    for where, put_in, taken_out in spoilt:
        at = int(where * len(content))
        content = content[:at] + put_in + content[at + taken_out :]
    try:
        drawn = drawn_anew(content)
    except (BadInput, TooLarge):
        return
    assert drawn.content.startswith(b"\xff\xd8")


def test_a_photo_is_served_as_what_it_is_and_never_guessed_at(north):
    photo_id = made(send(north, jpeg()))["id"]
    addresses = (f"{ROOT}photos/{photo_id}", f"/{north.operator.slug}/photos/{photo_id}.jpg")

    for client, address in zip(
        (signed_in(north), visitors.signed_in(north, Role.VIEWER)), addresses, strict=True
    ):
        answer = client.get(address)
        assert answer["Content-Type"] == "image/jpeg"
        assert answer["X-Content-Type-Options"] == "nosniff"
        assert answer["Content-Disposition"] == f'inline; filename="photo-{photo_id}.jpg"'
        assert "default-src 'none'" in answer["Content-Security-Policy"]


def test_an_operators_photos_have_room_and_then_a_sentence(north, south, settings):
    settings.PHOTO_MB = 1
    noise = Image.effect_noise((1_500, 1_500), 100).convert("RGB")
    out = io.BytesIO()
    noise.save(out, "JPEG", quality=60)
    kept = 0
    while kept < 1_000_000:
        photo_id = made(send(north, out.getvalue()))["id"]
        with north.reading():
            kept += len(photo_content(photo_id))

    refused = send(north, jpeg())

    assert refused.status_code == 413
    assert "fill the 1 MB" in refused.json()["detail"]
    made(send(south, jpeg()))  # room is each operator's own


# Rows from a spreadsheet


ROWS = "code,name,country\nC7,Ferry Office Müller,DE\n"
NO_TABLES = {
    "another encoding": (ROWS.encode("latin-1"), "not in UTF-8"),
    "two bytes a letter, marked": (ROWS.encode("utf-16"), "not in UTF-8"),
    "two bytes a letter, of plain letters": (ROWS.replace("ü", "u").encode("utf-16-le"), "no CSV file"),
    "four bytes a letter": (ROWS.encode("utf-32"), "not in UTF-8"),
    "letters longer than they may be": (
        ROWS.replace("ü", "u").encode() + b"C8,\xc0\xafx,DE\n",
        "not in UTF-8",
    ),
    "halves of letters": (ROWS.encode() + b"C8,\xed\xa0\x80,DE\n", "not in UTF-8"),
    "a zero in it": (ROWS.encode() + b"C8,a\0b,DE\n", "no CSV file"),
    "a workbook of nothing": (zipped("xl/workbook.xml"), "This workbook can't be read"),
    "a workbook of something else": (zipped("word/document.xml"), "no XLSX workbook"),
    "an older workbook": (
        bytes.fromhex("d0cf11e0a1b11ae1") + bytes(600),
        "of an older kind, or behind a password",
    ),
    "a picture": (png(), "not in UTF-8"),
    "a page": (SCRIPT, "The first row lacks the columns"),
    "a drawing": (SVG, "The first row lacks the columns"),
    "packed": (gzip.compress(ROWS.encode()), "not in UTF-8"),
    "a quotation that never ends": ((ROWS + 'C8,"' + "x" * 140_000).encode(), "quotation mark is missing"),
    "too many bytes": (ROWS.encode() + b"\n" * 20 * 1024 * 1024, "larger than 20 MB"),
}


def submitted(cast: Cast, content: bytes, name: str = "rows.csv", media: str = "text/csv") -> Any:
    file = SimpleUploadedFile(name, content, content_type=media)
    office = visitors.signed_in(cast, Role.DISPATCHER)
    return office.submit(f"/{cast.operator.slug}/set-up/import", kind="customers", file=file)


@pytest.mark.parametrize(("content", "said"), NO_TABLES.values(), ids=NO_TABLES.keys())
def test_what_is_no_table_is_refused_beside_its_field(north, content, said):
    answer = submitted(north, content)

    assert answer.status_code == 422
    assert re.search(said, visitors.text_of(answer))
    with north.reading():
        assert accounts.customers().count() == 1


def test_what_is_no_table_is_refused_by_the_api_too(north):
    api = signed_in(north, Role.DISPATCHER)

    for content, said in NO_TABLES.values():
        answer = api.post("/api/v1/imports?kind=customers", content, content_type="text/csv")
        if answer.status_code == 202:
            with north.reading():
                job_id = LongWork.objects.get(id=answer.json()["id"]).job_id
            run_look(north.operator.id, job_id)
            told = api.get(answer["Location"]).json()
            assert (told["state"], told["counts"]) == ("refused", None)
            assert re.search(said, told["said"])
        else:
            assert answer.status_code == 413
            assert re.search(said, answer.json()["detail"])


def test_a_table_is_told_by_its_content_and_shown_as_text(north):
    content = "\ufeff" + ROWS + "C8,<script>alert(1)</script>,DE\n"

    answer = submitted(north, content.encode(), "../../<b>.exe", "application/x-msdownload")

    assert answer.status_code == 200
    assert "Ferry Office Müller" in visitors.text_of(answer)
    assert "<script>alert" not in answer.content.decode()
    assert "<b>.exe" not in answer.content.decode()


# Statements of a bank


def declared(inner: str, use: str = "&a;") -> bytes:
    """A document with a type and entities of its own (XML 1.0, 2.8 and 4.2)."""
    return f'<?xml version="1.0"?><!DOCTYPE Document [{inner}]><Document>{use}</Document>'.encode()


LAUGHS = '<!ENTITY a0 "ha">' + "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 12))
GOOD = camt(Statement((Entry("50.00", "For you", bank="B-1"),)))
NO_STATEMENTS = {
    "an entity": declared('<!ENTITY a "x">'),
    "a type alone": declared("", ""),
    "a type from elsewhere": b'<!DOCTYPE Document SYSTEM "http://127.0.0.1:9/x.dtd"><Document/>',
    "a file of the machine": declared('<!ENTITY a SYSTEM "file:///etc/passwd">'),
    "an address": declared('<!ENTITY a SYSTEM "http://127.0.0.1:9/x">'),
    "an entity for declarations": declared('<!ENTITY % p SYSTEM "file:///etc/passwd"> %p;', ""),
    "a billion of them": declared(LAUGHS, "&a11;"),
    "a billion of them in an attribute": declared(LAUGHS, '<x y="&a11;"/>'),
    "one huge one, often": declared(f'<!ENTITY a "{"x" * 50_000}">', "&a;" * 50_000),
    "elements in each other": b"<a>" * 100_000,
    "elements in each other, closed": b"<Document>" * 200 + b"</Document>" * 200,
    "a drawing": SVG,
    "a page": SCRIPT,
    "an archive": zipped("statement.xml"),
    "packed": gzip.compress(GOOD),
    "a picture": png(),
    "cut off": GOOD[: len(GOOD) // 2],
    "another encoding than it says": GOOD.replace(b"For you", b"F\xfcr dich"),
    "an encoding that nobody knows": b'<?xml version="1.0" encoding="x-none"?><Document/>',
    "nothing": b" ",
}


def looked_at(cast: Cast, content: bytes, name: str = "june.xml") -> Any:
    keeper = visitors.signed_in(cast, Role.BOOKKEEPER)
    file = SimpleUploadedFile(name, content, "application/xml")
    return keeper.submit(f"/{cast.operator.slug}/money/bank/preview", file=file)


@pytest.mark.parametrize("content", NO_STATEMENTS.values(), ids=NO_STATEMENTS.keys())
def test_what_is_no_statement_is_refused_and_nothing_of_the_machine_is_read(north, content):
    keeper = signed_in(north, Role.BOOKKEEPER)

    by_api = keeper.post(f"{ROOT}bank-files", content, content_type="application/xml")
    by_page = looked_at(north, content)

    assert (by_api.status_code, by_page.status_code) == (400, 400)
    assert by_api.json()["errors"][0]["detail"].endswith(".")
    for answer in (by_api, by_page):
        assert b"root:" not in answer.content
        assert b"haha" not in answer.content
    assert keeper.read("bank-statements").json()["results"] == []


def test_what_a_statement_includes_from_elsewhere_is_not_fetched(north):
    """XInclude 1.0 is not looked at: the element is one more that no statement knows."""
    include = (
        b'<xi:include xmlns:xi="http://www.w3.org/2001/XInclude" href="file:///etc/passwd" parse="text"/>'
    )
    content = GOOD.replace(b"For you", b"For you" + include)

    answer = looked_at(north, content, '"><script>alert(1)</script>.xml')

    assert answer.status_code == 200
    assert b"root:" not in answer.content
    assert b"<script>alert" not in answer.content


# Safety data sheets


def test_what_is_no_whole_pdf_is_refused_and_a_pdf_is_only_fetched(north):
    office = visitors.signed_in(north, Role.DISPATCHER)
    address = f"/{north.operator.slug}/set-up/safety-sheets"

    def add(content: bytes) -> Any:
        form = {"liquid": north.cartridge.liquid_id, "revision_on": "2026-01-01", "language": "en"}
        file = SimpleUploadedFile("sheet.pdf", content, content_type="application/pdf")
        return office.submit(f"{address}/add", **form, content=file)

    for content, status, said in (
        (SCRIPT, 400, "This file is no PDF."),
        (SVG, 400, "This file is no PDF."),
        (zipped(), 400, "This file is no PDF."),
        (SCRIPT + b"%PDF-1.7\n%%EOF", 400, "This file is no PDF."),
        (b"%PDF-1.7\n" + b"x" * 5_000, 400, "The end of this PDF is missing."),
        (b"%PDF-1.7\n%%EOF" + b" " * 5_000, 400, "The end of this PDF is missing."),
        (b"%PDF-1.7\n" + b"x" * 5 * 1024 * 1024 + b"%%EOF", 413, "larger than 5 MB"),
    ):
        answer = add(content)
        assert answer.status_code == status
        assert said in visitors.text_of(answer)
    # A page inside is never taken for one: it is fetched as a PDF, and opened by nothing of ours.
    assert add(b"%PDF-1.7\n" + SCRIPT + b"\n%%EOF\n").status_code == 302
    with north.reading():
        (sheet,) = fleet.safety_sheets()
    fetched = office.get(f"{address}/{sheet.id}.pdf")
    assert fetched["Content-Type"] == "application/pdf"
    assert fetched["X-Content-Type-Options"] == "nosniff"
    assert fetched["Content-Disposition"].startswith('attachment; filename="sds-scale-remover-2026-01-01')


def test_what_is_larger_than_any_file_is_refused_before_it_is_read(north):
    office = visitors.signed_in(north, Role.DISPATCHER)
    rows = SimpleUploadedFile("rows.csv", b"x" * 22 * 1024 * 1024)

    answer = office.submit(f"/{north.operator.slug}/set-up/import", kind="customers", file=rows)

    assert answer.status_code == 413
    assert "larger than anything that is taken here" in visitors.text_of(answer)
