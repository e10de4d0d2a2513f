"""The permission table, cell by cell: what is written down by hand, what the product says, and what happens to who asks."""

from __future__ import annotations

import pytest

from accounts.permissions import Permission
from tests.api.callers import bearer, program_of
from tests.cast import Cast
from tests.permission_table import MAY, PROGRAMS_MAY, ROLES
from tests.permission_table import checking as check
from tests.permission_table.acts import ACTS
from tests.permission_table.api import API
from tests.permission_table.pages import PAGES

NARROW = "sites:read"


def test_roles_scopes_and_second_factors_are_as_written_down():
    assert check.roles_that_differ() == []
    assert all(set(letters) <= {*ROLES, "-"} and len(letters) == len(ROLES) for letters in MAY.values())


def test_every_address_asks_for_what_is_written_down_and_there_is_no_other():
    assert check.doors_that_differ() == []
    assert len(API) > 170
    assert len(PAGES) > 180


def test_every_command_is_written_down():
    assert check.acts_not_written_down() == []


def test_no_permission_is_without_a_use():
    used = {one for _, _, one in [*check.operations(), *check.pages()]}
    used |= {one for line in ACTS.values() for one in line.split()}

    assert set(MAY) - used == set()


@pytest.mark.parametrize("letter", ROLES)
def test_a_person_is_let_into_the_api_as_the_table_says(north: Cast, letter: str):
    found = check.cells_that_differ(
        check.operations(),
        north.operator.slug,
        check.person(north, letter),
        lambda permission: letter in MAY[permission],
    )

    assert found == []


@pytest.mark.parametrize("letter", ROLES)
def test_a_person_is_let_into_the_pages_as_the_table_says(north: Cast, letter: str):
    found = check.cells_that_differ(
        check.pages(),
        north.operator.slug,
        check.person(north, letter),
        lambda permission: letter in MAY[permission],
    )

    assert found == []


def test_every_door_asks_for_what_is_written_down_itself(north: Cast):
    asked = [*check.operations(), *check.pages()]

    assert check.questions_that_differ(asked, north.operator.slug, check.person(north, "N")) == []


def test_a_phone_may_what_its_crew_may(north: Cast):
    phone = bearer(north.phone_token)

    found = check.cells_that_differ(
        check.operations(), north.operator.slug, lambda: phone, lambda permission: "C" in MAY[permission]
    )

    assert found == []


@pytest.mark.parametrize("scopes", [PROGRAMS_MAY, {NARROW}], ids=["all", "narrow"])
def test_a_program_may_what_its_scopes_say(north: Cast, scopes: set[str]):
    program = program_of(north, *map(Permission, scopes))

    found = check.cells_that_differ(
        check.operations(), north.operator.slug, lambda: program, lambda permission: permission in scopes
    )

    assert found == []


def test_every_command_needs_exactly_the_permissions_written_down(north: Cast):
    assert check.acts_that_differ(north) == []
