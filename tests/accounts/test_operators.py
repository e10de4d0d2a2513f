"""Operators, their people, crews and phones: what each command makes, what it refuses, and which roles may."""

from __future__ import annotations

from datetime import date

import pytest

from accounts import queries
from accounts.commands import operators
from accounts.errors import BadInput, Conflict, Forbidden, NotFound
from accounts.ids import uuid7
from accounts.permissions import Role, system_actor
from accounts.tenancy import reading
from tests.cast import new_cast


def slug() -> str:
    return f"weir-{uuid7().hex[-10:]}"


def new_operator(**changed):
    return operators.create_operator(
        **{
            "slug": slug(),
            "name": "Weir",
            "legal_name": "Weir Fixture Care",
            "currency": "EUR",
            "zone": "Europe/Berlin",
            **changed,
        }
    )


def new_user(**changed):
    return operators.create_user(
        **{"email": f"{slug()}@weir.example", "name": "Ines", "password": "a long enough phrase", **changed}
    )


def only(*roles: Role) -> set[Role]:
    return set(roles)


def roles_that_may(cast, command) -> set[Role]:
    """Runs the command as each role; the set of those that it did not refuse."""
    return {role for role in Role if not refused(cast.actors[role], command)}


def refused(actor, command) -> bool:
    try:
        command(actor)
    except Forbidden:
        return True
    return False


OFFICE = only(Role.OWNER, Role.DISPATCHER)


def test_a_new_operator_has_its_office_and_nothing_else(database):
    made = new_operator()

    with reading(system_actor(made.id)):
        assert queries.get_operator().id == made.id
        assert [device.kind for device in queries.devices()] == ["office"]
        assert queries.office_device_id() == queries.devices().get().id
        assert queries.members().count() == queries.crews().count() == queries.sites().count() == 0


def test_an_operators_address_is_one_of_its_kind(database):
    taken = new_operator()

    with pytest.raises(Conflict, match=f"/{taken.slug}/ exists already"):
        new_operator(slug=taken.slug)
    assert new_operator().slug != taken.slug


def test_an_operator_needs_a_zone_of_the_iana_list(database):
    with pytest.raises(BadInput, match="Europe/Nowhere is no time zone"):
        new_operator(zone="Europe/Nowhere")
    assert new_operator(zone="Europe/Lisbon").zone == "Europe/Lisbon"


@pytest.mark.parametrize(
    ("currency", "digits"),
    # ISO 4217, list one, column "minor unit"; from memory.
    [("EUR", 2), ("CHF", 2), ("JPY", 0), ("KWD", 3), ("CLF", 4)],
)
def test_a_currency_brings_its_minor_units(database, currency, digits):
    assert new_operator(currency=currency).minor_units == digits


def test_a_person_signs_in_with_one_address_in_any_spelling(database):
    user = new_user()

    assert queries.get_user_by_email(f" {user.email.upper()} ").id == user.id
    with pytest.raises(Conflict, match="already"):
        new_user(email=user.email.upper())


def test_a_weak_password_is_refused_with_its_reasons(database):
    with pytest.raises(BadInput) as refusal:
        new_user(password="password")

    assert [problem.pointer for problem in refusal.value.errors] == ["/password", "/password"]
    assert new_user().has_usable_password()


def test_a_password_is_kept_as_an_argon2_hash_only(database):
    user = new_user(password="a long enough phrase")

    assert user.password.startswith("argon2$argon2id$")
    assert "phrase" not in user.password
    assert user.check_password("a long enough phrase")
    assert not user.check_password("another long phrase")


def test_only_an_owner_adds_members(north):
    users = iter([new_user() for _ in Role])

    assert roles_that_may(
        north,
        lambda actor: operators.add_member(
            actor=actor, user_id=next(users).id, role=Role.VIEWER, name="Ines"
        ),
    ) == only(Role.OWNER)


def test_a_person_is_a_member_of_each_operator_once(north, south):
    user = new_user()
    first = operators.add_member(actor=north.owner, user_id=user.id, role=Role.BOOKKEEPER, name="Ines")
    operators.add_member(actor=south.owner, user_id=user.id, role=Role.VIEWER, name="Ines at the south")

    with pytest.raises(Conflict, match="a member already"):
        operators.add_member(actor=north.owner, user_id=user.id, role=Role.OWNER, name="Ines")

    found = queries.memberships_of(user.id)
    assert {(one.operator_id, one.role) for one in found} == {
        (north.operator.id, Role.BOOKKEEPER),
        (south.operator.id, Role.VIEWER),
    }
    assert first.id in {one.member_id for one in found}


def test_a_member_belongs_to_no_crew_of_a_rival(north, south):
    user = new_user()

    with pytest.raises(NotFound, match="no crew here"):
        operators.add_member(
            actor=north.owner, user_id=user.id, role=Role.CREW_MEMBER, name="Ines", crew_id=south.crew.id
        )
    member = operators.add_member(
        actor=north.owner, user_id=user.id, role=Role.CREW_MEMBER, name="Ines", crew_id=north.crew.id
    )

    assert [one.member_id for one in queries.memberships_of(user.id)] == [member.id]


def test_an_owner_and_a_dispatcher_add_crews(north):
    names = (f"Crew {letter}" for letter in "BCDEFG")

    assert roles_that_may(north, lambda actor: operators.add_crew(actor=actor, name=next(names))) == OFFICE


def test_crews_of_one_operator_have_different_names(north, south):
    with pytest.raises(Conflict, match="Crew A already"):
        operators.add_crew(actor=north.owner, name="Crew A")
    operators.add_crew(actor=north.owner, name="Crew B")

    with reading(south.owner):
        assert [crew.name for crew in queries.crews()] == ["Crew A"]


def test_an_owner_and_a_dispatcher_register_phones(north):
    assert (
        roles_that_may(
            north, lambda actor: operators.register_device(actor=actor, crew_id=north.crew.id, label="Phone")
        )
        == OFFICE
    )


def test_a_phones_token_is_known_by_its_digest_alone(north, superuser):
    device, token = operators.register_device(actor=north.dispatcher, crew_id=north.crew.id, label="Phone 7")

    binding = queries.token_binding(operators.token_digest(token))
    assert binding is not None
    assert (binding.operator_id, binding.device_id, binding.crew_id) == (
        north.operator.id,
        device.id,
        north.crew.id,
    )
    assert (binding.role, binding.label, binding.revoked_at) == (Role.CREW_MEMBER, "Phone 7", None)
    assert queries.token_binding(operators.token_digest(token + "x")) is None
    kept = superuser.execute(
        "SELECT t::text FROM accounts_accesstoken t WHERE device_id = %s", [device.id]
    ).fetchone()
    assert token not in kept[0]


def test_a_phone_is_registered_for_no_crew_of_a_rival(north, south):
    with pytest.raises(NotFound, match="no crew here"):
        operators.register_device(actor=north.owner, crew_id=south.crew.id, label="Phone")
    operators.register_device(actor=north.owner, crew_id=north.crew.id, label="Phone")

    with reading(north.owner):
        assert queries.devices().filter(kind="phone").count() == 2


def test_a_revoked_phones_token_says_since_when(north, later):
    before = queries.token_binding(operators.token_digest(north.phone_token))
    at = later(hours=1)
    operators.revoke_device(actor=north.dispatcher, device_id=north.phone.id)
    later(hours=1)
    operators.revoke_device(actor=north.dispatcher, device_id=north.phone.id)

    after = queries.token_binding(operators.token_digest(north.phone_token))
    assert (before.revoked_at, after.revoked_at) == (None, at)


def test_only_the_office_revokes_and_only_its_own_phones(north, south):
    with pytest.raises(Forbidden):
        operators.revoke_device(actor=north.actors[Role.CREW_MEMBER], device_id=north.phone.id)
    with pytest.raises(NotFound, match="no phone here"):
        operators.revoke_device(actor=north.owner, device_id=south.phone.id)
    with reading(north.owner):
        office = queries.office_device_id()
    with pytest.raises(NotFound, match="no phone here"):
        operators.revoke_device(actor=north.owner, device_id=office)

    assert queries.token_binding(operators.token_digest(south.phone_token)).revoked_at is None


def test_only_an_owner_sets_the_service_rules(north):
    months = iter(range(1, 13))

    assert roles_that_may(
        north,
        lambda actor: operators.set_service_rules(
            actor=actor, effective_from=date(2027, next(months), 1), dry_soon_days=5
        ),
    ) == only(Role.OWNER)


def test_service_rules_hold_from_their_day_until_the_next(north, south):
    operators.set_service_rules(actor=north.owner, effective_from=date(2026, 7, 1), dry_soon_days=5)

    with pytest.raises(Conflict, match="choose a later date"):
        operators.set_service_rules(actor=north.owner, effective_from=date(2026, 7, 1), dry_soon_days=6)
    with reading(north.owner):
        days = [queries.service_rules_on(date(2026, month, 1)).dry_soon_days for month in (6, 7, 8)]
    with reading(south.owner):
        theirs = queries.service_rules_on(date(2026, 8, 1)).dry_soon_days

    assert (days, theirs) == ([3, 5, 5], 3)


def test_a_third_operator_is_as_far_from_the_first_as_the_second(north, south):
    east = new_cast("east")

    with reading(east.owner):
        assert [member.role for member in queries.members()].count(Role.OWNER) == 1
        assert set(queries.members().values_list("user_id", flat=True)) == {
            user.id for user in east.users.values()
        }


def test_the_products_own_addresses_are_nobodys(database):
    with pytest.raises(BadInput, match="product's own"):
        operators.create_operator(slug="api", name="A", legal_name="A", currency="EUR", zone="Europe/Berlin")
