"""Conditional requests: RFC 9110 section 13 (comparison, If-Match, If-None-Match) and RFC 6585 section 3 (428)."""

from __future__ import annotations

import re
from uuid import uuid4

import pytest
from django.test import RequestFactory
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.doors import OperatorView, required_match, version_tag
from accounts.errors import PreconditionFailed, PreconditionRequired
from accounts.permissions import Actor, ActorKind, Role

TAG = '"customer-7-v3"'
# RFC 9110 section 8.8.3.
ETAG = re.compile(r'(W/)?"[\x21\x23-\x7e\x80-\xff]*"')


def asked(method="GET", kind=ActorKind.CLIENT, **headers):
    request = Request(getattr(RequestFactory(), method.lower())("/", headers=headers))
    request.auth = Actor(operator_id=uuid4(), kind=kind, role=Role.OWNER, id=uuid4(), name="", crew_id=None)
    return request


def outcome(tag=TAG, **kwargs):
    try:
        required_match(asked("POST", **kwargs), tag)
    except (PreconditionFailed, PreconditionRequired) as refusal:
        return refusal.status
    return "let in"


def answered(**headers):
    door = OperatorView()
    door.request = asked(**headers)
    return door.tagged(Response({"id": 7}), TAG)


def test_a_tag_is_of_kind_thing_and_version():
    assert version_tag("customer", 7, 3) == TAG
    assert version_tag("invoice", "F/2026-1", 2) == '"invoice-F/2026-1-v2"'


@pytest.mark.parametrize(
    "name", ['a"b', "\u0421\u0447\u0435\u0442-1", "a b", "a\\b", "a,b", "%22", "\x00", ""]
)
def test_whatever_a_thing_is_called_its_tag_is_one(name):
    tag = version_tag("invoice", name, 1)

    assert ETAG.fullmatch(tag)
    tag.encode("latin-1")
    assert outcome(tag, **{"if-match": tag}) == "let in"
    assert tag != version_tag("invoice", name + "x", 1)


@pytest.mark.parametrize(
    ("sent", "status"),
    [
        (TAG, 304),
        ("*", 304),
        ("W/" + TAG, 304),  # weak comparison, section 13.1.2
        (f'"other", {TAG}', 304),
        (f'"a,b",{TAG}', 304),
        ('"customer-7-v2"', 200),
        ("customer-7-v3", 200),  # a tag has quotes
        ("", 200),
        (None, 200),
    ],
)
def test_a_reader_who_has_the_version_gets_no_body(sent, status):
    answer = answered(**({} if sent is None else {"if-none-match": sent}))

    assert (answer.status_code, answer.headers["ETag"]) == (status, TAG)
    assert (answer.data is None) == (status == 304)


def test_only_a_reader_is_told_so():
    assert answered(method="POST", **{"if-none-match": TAG}).status_code == 200
    assert answered(method="HEAD", **{"if-none-match": TAG}).status_code == 304


@pytest.mark.parametrize(
    ("sent", "expected"),
    [
        (TAG, "let in"),
        ("*", "let in"),
        (f'"x", {TAG}', "let in"),
        ("W/" + TAG, 412),  # strong comparison, section 13.1.1
        ('"customer-7-v2"', 412),
        ("customer-7-v3", 412),
        ("", 412),
    ],
)
def test_a_change_names_the_version_it_was_made_of(sent, expected):
    assert outcome(**{"if-match": sent}) == expected


@pytest.mark.parametrize(
    ("kind", "expected"),
    [(ActorKind.CLIENT, 428), (ActorKind.MEMBER, "let in"), (ActorKind.DEVICE, "let in")],
)
def test_a_program_must_name_one(kind, expected):
    assert outcome(kind=kind) == expected


def test_of_nothing_no_version_can_be_named():
    assert outcome(None) == "let in"
    assert outcome(None, **{"if-match": "*"}) == 412
    assert outcome(None, **{"if-match": TAG}) == 412


def test_a_change_may_be_wanted_only_where_nothing_is_yet():
    assert outcome(None, **{"if-none-match": "*"}) == "let in"
    assert outcome(TAG, **{"if-none-match": "*"}) == 412
    # If-None-Match of another version asks nothing of the stored one: the program has not said what it saw.
    assert outcome(TAG, **{"if-none-match": '"customer-7-v2"'}) == 428
