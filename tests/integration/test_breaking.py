"""The drill that breaks every step notices what it is there for: half of it stored, too much promised, too much done again."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

import pytest

from accounts import tenancy
from accounts.commands import operators
from accounts.commands.customers import add_customers
from accounts.errors import Conflict
from accounts.models import Crew
from tests.cast import Cast
from tests.drills.workers.faults.stored import Tables
from tests.drills.workers.faults.trying import Path, Trial, Tried

WRITTEN = {"accounts_crew", "accounts_customer", "accounts_auditentry", "accounts_job", "billing_change"}


@pytest.fixture
def tried(superuser: Any) -> Callable[[Path], Tried]:
    return lambda path: Trial(Tables(superuser, WRITTEN), path).run(random.Random(1))


def code(north: Cast) -> int:
    try:
        add_customers(actor=north.owner, customers=[{"code": "F1", "name": "Fen Arena", "country": "DE"}])
    except Conflict as conflict:
        return conflict.status
    return 201


def test_what_is_one_transaction_and_known_by_its_code_passes(north: Cast, tried: Any) -> None:
    came = tried(Path("customer", lambda: code(north), also=frozenset({409})))
    assert came.wrong == []
    assert came.faults.total() > came.steps >= 4
    assert came.nothing > 0
    assert came.whole > 0


def test_two_transactions_are_a_partial_state(north: Cast, tried: Any) -> None:
    def two() -> int:
        operators.add_crew(actor=north.owner, name="Crew F")
        return code(north)

    came = tried(Path("two", two, also=frozenset({409}), crashes=0))
    assert "2 transactions, 1 agreed" in came.partial[0]
    assert came.part_by_part > 0


def test_an_answer_without_the_effect_is_noticed(north: Cast, tried: Any) -> None:
    def careless() -> int:
        try:
            return code(north)
        except Exception:  # noqa: BLE001 - as careless code does
            return 200

    assert tried(Path("careless", careless, also=frozenset({409}), crashes=0)).unkept


def test_what_is_done_again_when_sent_again_is_noticed(north: Cast, tried: Any) -> None:
    def crew() -> int:
        operators.add_crew(actor=north.owner, name="Crew F")
        return 201

    came = tried(Path("crew", crew, crashes=0))
    assert came.partial == []
    assert any("crew" in one for one in came.not_done_again)
    with tenancy.operator_scope(north.operator.id):
        assert Crew.objects.filter(name="Crew F").count() == 1
