"""An open lookout asks for changes: unchanged costs one row, changed shows it, and who may not see it learns nothing."""

from __future__ import annotations

import html
import re
from datetime import timedelta
from typing import Any
from urllib.parse import unquote

import pytest
from django.core import signing
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from accounts import tenancy
from accounts.models import Member
from accounts.permissions import Role
from servicing.commands import planning
from servicing.pages.lookout import asking
from servicing.queries.pulse import PULSE_SQL
from tests.cast import NOON, Cast
from tests.pages.visitors import Visitor, signed_in, text_of


class Open:
    """A lookout that somebody has open."""

    def __init__(self, cast: Cast, visitor: Client, query: str = "") -> None:
        self.visitor = visitor
        page = visitor.get(f"/{cast.operator.slug}/?{query}").content.decode()
        self.told = {
            name: html.unescape(re.findall(rf'data-{name}="([^"]*)"', page)[0])
            for name in ("changes", "etag", "token")
        }

    def ask(self, visitor: Client | None = None, **other: str) -> Any:
        told = {**self.told, **other}
        return (visitor or self.visitor).get(
            told["changes"], headers={"If-None-Match": told["etag"], "Lookout-Token": told["token"]}
        )


@pytest.fixture
def late(north: Cast) -> Cast:
    north.upload(north.installed(at=NOON - timedelta(days=45)))
    return north


def test_an_unchanged_page_costs_the_reading_of_one_row(late: Cast) -> None:
    opened = Open(late, signed_in(late, Role.DISPATCHER))
    with CaptureQueriesContext(connection) as queries:
        answer = opened.ask()
    assert answer.status_code == 304
    assert answer.content == b""
    read = [query["sql"] for query in queries if " FROM " in query["sql"]]
    assert len(read) == 1
    assert "servicing_pulse" in read[0]
    # The rest opens and closes the transaction, and sets the operator; no session, person or membership is read.
    assert len(queries) == 4, [query["sql"] for query in queries]


def test_that_row_is_found_by_its_key(late: Cast) -> None:
    with late.reading(), connection.cursor() as cursor:
        cursor.execute("SET LOCAL enable_seqscan = off")  # the table is of one page only
        cursor.execute(f"EXPLAIN {PULSE_SQL}", [late.operator.id, "lookout"])
        plan = "\n".join(line for (line,) in cursor.fetchall())
    assert "Index Scan using servicing_pulse_pkey" in plan
    assert plan.count("Scan") == 1


def test_what_has_changed_is_there_at_the_next_question(late: Cast) -> None:
    opened = Open(late, signed_in(late, Role.DISPATCHER))
    planning.write_note(actor=late.dispatcher, site_id=late.site.id, text="Ring twice.")
    answer = opened.ask()
    assert answer.status_code == 200
    assert "Ring twice." in text_of(answer)
    assert 'data-site="S1"' in answer.content.decode()
    assert answer["ETag"] != opened.told["etag"]
    assert opened.ask(etag=answer["ETag"], token=answer["Lookout-Token"]).status_code == 304
    late.upload(late.exchanged(at=NOON - timedelta(minutes=5)))
    assert "Nothing is dry, late or leaking" in text_of(opened.ask(etag=answer["ETag"]))


def test_a_new_day_is_a_change_though_nothing_was_recorded(late: Cast, later: Any) -> None:
    opened = Open(late, signed_in(late, Role.DISPATCHER))
    later(hours=9)
    assert opened.ask().status_code == 304
    later(hours=2)  # past midnight in Berlin
    assert "Tuesday 16 June 2026." in text_of(opened.ask())


def test_each_filter_and_manner_has_answers_of_its_own(late: Cast) -> None:
    visitor = signed_in(late, Role.DISPATCHER)
    everything, wicks = Open(late, visitor), Open(late, visitor, "about=wick")
    assert everything.told["etag"] != wicks.told["etag"]
    assert wicks.ask().status_code == 304
    assert wicks.ask(changes=everything.told["changes"]).status_code == 200
    assert Open(late, signed_in(late, Role.VIEWER)).told["etag"] != everything.told["etag"]
    with tenancy.writing(late.owner):
        Member.objects.filter(id=late.dispatcher.id).update(locale="de-DE")
    assert Open(late, visitor).told["etag"] != everything.told["etag"]


def test_without_a_token_that_holds_the_sign_in_decides(late: Cast, monkeypatch: pytest.MonkeyPatch) -> None:
    opened = Open(late, signed_in(late, Role.DISPATCHER))
    stranger = Visitor()
    assert opened.ask(stranger, token="").status_code == 302
    assert opened.ask(stranger, token=opened.told["token"] + "x").status_code == 302
    renewed = opened.ask(token="")
    assert renewed.status_code == 304
    assert renewed["Lookout-Token"]
    monkeypatch.setattr(asking, "LASTS_S", -1)
    assert opened.ask(stranger).status_code == 302
    assert opened.ask().status_code == 304


def test_whoever_is_let_go_learns_that_something_changed_and_nothing_more(late: Cast) -> None:
    opened = Open(late, signed_in(late, Role.DISPATCHER))
    opened.visitor.logout()
    assert opened.ask().status_code == 304
    planning.write_note(actor=late.dispatcher, site_id=late.site.id, text="Not for everybody.")
    answer = opened.ask()
    assert answer.status_code == 302
    assert b"everybody" not in answer.content


def test_a_token_is_good_for_its_own_operator_only(late: Cast, south: Cast) -> None:
    opened = Open(late, signed_in(late, Role.DISPATCHER))
    address = opened.told["changes"].replace(late.operator.slug, south.operator.slug)
    assert opened.ask(Visitor(), changes=address).status_code == 302
    named = signing.loads(opened.told["token"], salt="wickround.lookout")
    assert named["slug"] == late.operator.slug
    assert "name" not in str(named)


def test_it_says_when_it_was_asked_as_people_write_it(late: Cast) -> None:
    opened = Open(late, signed_in(late, Role.DISPATCHER))
    assert unquote(opened.ask()["Lookout-Time"]) == "14:00"
    with tenancy.writing(late.owner):
        Member.objects.filter(id=late.dispatcher.id).update(locale="en-US")
    american = Open(late, signed_in(late, Role.DISPATCHER))
    assert unquote(american.ask()["Lookout-Time"]).replace("\u202f", " ") == "2:00 PM"


def test_an_answer_is_kept_by_nobody_on_the_way(late: Cast) -> None:
    answer = Open(late, signed_in(late, Role.DISPATCHER)).ask()
    assert "no-store" in answer["Cache-Control"]
    assert "private" in answer["Cache-Control"]
