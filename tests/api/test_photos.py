"""Photos by API: sent once or twice, refused in words, and the roles and rivals at both doors."""

from __future__ import annotations

import hashlib
import io
from urllib.parse import urlencode
from uuid import uuid4

import pytest
from PIL import Image

from accounts.permissions import Role
from servicing.rules.pictures import MOST_BYTES
from tests.api.callers import ROOT, made, phone_of, refused, signed_in


def jpeg(colour="white", kind="JPEG"):
    out = io.BytesIO()
    Image.new("RGB", (64, 48), colour).save(out, kind)
    return out.getvalue()


def send(client, cast, content=None, media="image/jpeg", **said):
    body = jpeg() if content is None else content
    query = {"id": uuid4(), "unit": cast.unit.id, "taken_at": "2026-06-15T13:59:00+02:00", **said}
    given = {name: str(value) for name, value in query.items() if value is not None}
    return client.post(f"{ROOT}photos?{urlencode(given)}", body, content_type=media)


def test_a_phone_sends_a_photo_and_its_office_reads_it(north):
    photo_id, body = uuid4(), jpeg()
    digest = hashlib.sha256(body).hexdigest()
    event = uuid4()

    first = made(send(phone_of(north), north, body, id=photo_id, sha256=digest, event=event))
    again = made(send(phone_of(north), north, body, id=photo_id, sha256=digest, event=event))
    read = signed_in(north, Role.VIEWER).get(f"{ROOT}photos/{photo_id}")

    assert first == again
    assert (first["sha256"], first["event"], first["width"]) == (digest, str(event), 64)
    assert (read.status_code, read.headers["Content-Type"]) == (200, "image/jpeg")
    assert read.headers["Cache-Control"] == "private, max-age=86400"
    assert read.content[:2] == b"\xff\xd8"  # ITU-T T.81, annex B: a JPEG begins with the marker SOI


def test_other_content_under_the_same_id_is_a_conflict(north):
    photo_id = uuid4()
    made(send(phone_of(north), north, id=photo_id))

    assert send(phone_of(north), north, jpeg("black"), id=photo_id).status_code == 409


def test_a_png_is_taken_and_another_kind_of_body_is_not(north):
    made(send(phone_of(north), north, jpeg(kind="PNG"), media="image/png"))

    assert send(phone_of(north), north, media="application/octet-stream").status_code == 415
    assert send(phone_of(north), north, b"{}", media="application/json").status_code == 415


@pytest.mark.parametrize(
    ("said", "pointer"),
    [
        ({"id": "x"}, "/id"),
        ({"unit": None}, "/unit"),
        ({"taken_at": "2026-06-15T12:00:00"}, "/taken_at"),
        ({"taken_at": "soon"}, "/taken_at"),
        ({"taken_at": "0001-01-01T00:00:00+00:00"}, "/taken_at"),
        ({"taken_at": "9999-12-31T23:59:00+00:00"}, "/taken_at"),
        ({"sha256": "0" * 64}, "/sha256"),
        ({"sha256": "0"}, "/sha256"),
        ({"colour": "red"}, "/colour"),
    ],
)
def test_what_the_address_says_wrongly_is_pointed_at(north, said, pointer):
    assert refused(send(phone_of(north), north, **said), 400) == [pointer]


def test_no_picture_and_too_much_of_one_are_refused(north):
    assert "not a JPEG or PNG" in send(phone_of(north), north, b"not one").json()["detail"]
    assert send(phone_of(north), north, b"").status_code == 400
    assert send(phone_of(north), north, jpeg() + b"\0" * MOST_BYTES).status_code == 413


def test_a_rivals_unit_site_and_photo_are_answered_as_absent_ones(north, south):
    theirs = made(send(phone_of(south), south))
    client = phone_of(north)

    for said in ({"unit": south.unit.id}, {"unit": None, "site": south.site.id}):
        foreign = send(client, north, **said)
        absent = send(client, north, **{name: value and uuid4() for name, value in said.items()})
        assert foreign.status_code == absent.status_code == 404
        assert foreign.json() == absent.json()
    assert client.get(f"{ROOT}photos/{theirs['id']}").status_code == 404


def test_only_who_may_record_sends_one(north):
    assert send(signed_in(north, Role.VIEWER), north).status_code == 403
    assert send(signed_in(north, Role.BOOKKEEPER), north).status_code == 403
    made(send(signed_in(north, Role.DISPATCHER), north))
