"""A page of many rows asks the database no more often than a page of one."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from accounts import clock
from tests.api.callers import LISTS, phone_of, program_of, signed_in
from tests.cast import new_cast

MOST_QUERIES = 16


@pytest.fixture
def crowded(database):
    cast = new_cast("crowded", units=8)
    cast.upload(
        *(
            cast.installed(unit, at=clock.now() - timedelta(days=40), station=index)
            for index, unit in enumerate(cast.units)
        )
    )
    first = cast.exchanged()
    cast.upload(first, *(cast.exchanged(unit) for unit in cast.units[1:]))
    cast.upload(cast.event("event.countered", cast.unit, reason="other", corrects=first["id"]))
    return cast


def counted(client, path, limit):
    with CaptureQueriesContext(connection) as queries:
        answer = client.read(path, limit=limit)
    assert answer.status_code == 200
    return len(queries), len(answer.json()["results"])


@pytest.mark.parametrize("path", LISTS)
def test_a_list_asks_a_fixed_number_of_questions(crowded, path):
    client = program_of(crowded)
    client.read(path)

    one, few = counted(client, path, 1)
    many, most = counted(client, path, 200)

    assert few <= most
    assert many <= one + 2  # standings of events follow the corrections, a step at a time
    assert many <= MOST_QUERIES


def test_the_lists_that_matter_were_long(crowded):
    assert len(phone_of(crowded).read("units").json()["results"]) == 8
    assert len(signed_in(crowded).read("service-events").json()["results"]) == 17
