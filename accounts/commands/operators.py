"""Operators, their people, crews and devices."""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Sequence
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID
from zoneinfo import available_timezones

from django.contrib.auth.hashers import make_password
from django.db import IntegrityError

from accounts import clock, jobs, queries, tenancy
from accounts.commands.masterdata import refuse_absent_references, refuse_bad_rows
from accounts.commands.passwords import NO_PASSWORD, refuse_weak
from accounts.commands.sessions import end_sessions
from accounts.errors import BadInput, Conflict, NotFound, Problem, pointing_at_one
from accounts.ids import uuid7
from accounts.languages import LOCALES, _
from accounts.models import AccessToken, Crew, Device, Member, Operator, ServiceRules, User
from accounts.permissions import (
    NEEDS_SECOND_FACTOR,
    PROGRAM_SCOPES,
    ROLE_PERMISSIONS,
    Actor,
    ActorKind,
    Permission,
    Role,
    require,
    system_actor,
)

# ISO 4217 minor units that are not two (IQD, KWD ... three; JPY, KRW ... none); the number is stored with the operator.
MINOR_UNITS = {
    **dict.fromkeys(("BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW", "PYG", "RWF", "UGX", "UYI"), 0),
    **dict.fromkeys(("VND", "VUV", "XAF", "XOF", "XPF"), 0),
    **dict.fromkeys(("BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND"), 3),
    **dict.fromkeys(("CLF", "UYW"), 4),
}


CURRENCY = re.compile(r"[A-Z]{3}\Z")
OFFICE = "office"

# What a person may set, both ends included; also the bounds of the form.
RULES: dict[str, tuple[int | Decimal, int | Decimal]] = {
    "long_past_days": (1, 365),
    "dry_soon_days": (1, 60),
    "wick_watch_days": (1, 3_650),
    "wick_limit_days": (1, 3_650),
    "dry_target": (Decimal("0.001"), Decimal("0.500")),
    "false_alarms_per_1000": (Decimal("0.10"), Decimal(100)),
    "wick_change_cost": (Decimal("0.01"), Decimal(1_000_000)),
    "wick_failure_cost": (Decimal("0.01"), Decimal(1_000_000)),
    "wick_down_day_cost": (Decimal(0), Decimal(1_000_000)),
    "wick_wash_cost": (Decimal(0), Decimal(1_000_000)),
}

# First words of addresses that are no operator's.
TAKEN_ADDRESSES = {
    "api",
    "healthz",
    "invitation",
    "metrics",
    "oauth",
    "problems",
    "r",
    "readyz",
    "service",
    "shared",
    "sign-in",
    "sign-out",
    "static",
    "u",
}


def create_operator(
    *,
    slug: str,
    name: str,
    legal_name: str,
    currency: str,
    zone: str,
    locale: str = "en-GB",
    id: UUID | None = None,  # noqa: A002
    office_id: UUID | None = None,
) -> Operator:
    """A new tenant with its ``office`` device. Done by the service's own people, so there is no actor yet."""
    if slug in TAKEN_ADDRESSES:
        raise BadInput(_("The address /{slug}/ is the product's own; choose another.", slug=slug))
    if zone not in available_timezones():
        raise BadInput(_("{zone} is no time zone of the IANA list, such as Europe/Berlin.", zone=zone))
    if not CURRENCY.match(currency):
        raise BadInput(_("A currency is three capital letters of ISO 4217, such as EUR."))
    operator = Operator(
        id=id or uuid7(),
        slug=slug,
        name=name,
        legal_name=legal_name,
        currency=currency,
        minor_units=MINOR_UNITS.get(currency, 2),
        zone=zone,
        locale=locale,
    )
    refuse_bad_rows([operator])
    try:
        with tenancy.writing(system_actor(operator.id)):
            operator.save(force_insert=True)
            Device.objects.create(
                id=office_id or uuid7(), kind=OFFICE, label=OFFICE, registered_at=clock.now()
            )
    except IntegrityError as clash:
        raise Conflict(_("An operator with the address /{slug}/ exists already.", slug=slug)) from clash
    return operator


def change_operator(*, actor: Actor, name: str, legal_name: str, locale: str, measures: str) -> Operator:
    """Its name on pages and on documents, the locale it speaks in, and metric or US units on pages.

    Currency, zone and address never change: amounts, due days and printed labels hang on them.
    """
    require(actor, Permission.OPERATOR_MANAGE)
    with tenancy.writing(actor):
        operator = queries.get_operator()
        operator.name, operator.legal_name = name, legal_name
        operator.locale, operator.measures = locale, measures
        with pointing_at_one():
            refuse_bad_rows([operator], check=_operator_problems)
        operator.save(update_fields=["name", "legal_name", "locale", "measures"])
        return operator


def _operator_problems(operator: Operator) -> list[Problem]:
    return [] if operator.locale in LOCALES else [_unknown_locale()]


def _unknown_locale() -> Problem:
    return Problem("/locale", "unknown", _("Choose one of the languages of the list."))


def create_user(
    *,
    email: str,
    name: str,
    password: str,
    operators: Sequence[str] = (),
    id: UUID | None = None,  # noqa: A002
) -> User:
    """A person who can sign in. BadInput says what is wrong with the password, such as a name of the ``operators`` to be."""
    user = User(id=id or uuid7(), email=email.strip().lower(), name=name, password=NO_PASSWORD)
    refuse_bad_rows([user])
    refuse_weak(password, person=user, operators=operators)
    user.password, user.password_set_at = make_password(password), clock.now()
    try:
        user.save(force_insert=True)
    except IntegrityError as clash:
        raise Conflict(_("Somebody signs in with this e-mail address already.")) from clash
    return user


def add_member(
    *,
    actor: Actor,
    user_id: UUID,
    role: Role,
    name: str,
    crew_id: UUID | None = None,
    id: UUID | None = None,  # noqa: A002
) -> Member:
    """Let a person act for this operator, in one role. NotFound for a crew that is not there, Conflict for a second time."""
    require(actor, Permission.MEMBERS_MANAGE)
    try:
        with tenancy.writing(actor):
            if crew_id is not None:
                queries.get_crew(crew_id)
            if role in NEEDS_SECOND_FACTOR:
                # Who is signed in by a password alone, for another operator, signs in once more.
                end_sessions(user_id)
            return Member.objects.create(
                id=id or uuid7(), user_id=user_id, role=role, name=name, crew_id=crew_id
            )
    except IntegrityError as clash:
        raise Conflict(_("{name} is a member already, or can't sign in yet.", name=name)) from clash


def add_crew(*, actor: Actor, name: str, id: UUID | None = None) -> Crew:  # noqa: A002
    """A crew. Conflict when there is one of this name already."""
    require(actor, Permission.CREWS_MANAGE)
    crew = Crew(id=id or uuid7(), operator_id=actor.operator_id, name=name)
    refuse_bad_rows([crew])
    try:
        with tenancy.writing(actor):
            crew.save(force_insert=True)
            return crew
    except IntegrityError as clash:
        raise Conflict(_("There is a crew named {name} already. Choose another name.", name=name)) from clash


def register_device(
    *,
    actor: Actor,
    crew_id: UUID,
    label: str,
    expires_at: datetime | None = None,
    id: UUID | None = None,  # noqa: A002
) -> tuple[Device, str]:
    """A crew's phone and its bearer token, which is shown this once. NotFound for a crew that is not there.

    Forbidden for a program that may not do itself what the phone may: the token would give it more than it was given. A
    phone that a program registers is shown no code of a site, for no program is.
    """
    require(actor, Permission.DEVICES_MANAGE)
    if actor.scopes is not None:
        for permission in sorted(ROLE_PERMISSIONS[Role.CREW_MEMBER] & set(PROGRAM_SCOPES)):
            require(actor, permission)
    device = Device(
        id=id or uuid7(),
        operator_id=actor.operator_id,
        kind="phone",
        crew_id=crew_id,
        label=label,
        registered_at=clock.now(),
        by_program=actor.kind is ActorKind.CLIENT,
    )
    refuse_bad_rows([device])
    with tenancy.writing(actor):
        refuse_absent_references([device])
        device.save(force_insert=True)
        return device, _issue_token(
            role=Role.CREW_MEMBER, label=label, device_id=device.id, expires_at=expires_at
        )


def _issue_token(*, role: Role, label: str, device_id: UUID, expires_at: datetime | None) -> str:
    token = "wr_" + secrets.token_urlsafe(32)
    AccessToken.objects.create(
        role=role, label=label, device_id=device_id, digest=token_digest(token), expires_at=expires_at
    )
    return token


def token_digest(token: str) -> bytes:
    """A random secret of 256 bits needs no slow hash."""
    return hashlib.sha256(token.encode()).digest()


def revoke_device(*, actor: Actor, device_id: UUID) -> None:
    """A lost phone: its token ends with the next request. What it sent before stays."""
    require(actor, Permission.DEVICES_MANAGE)
    now = clock.now()
    with tenancy.writing(actor):
        if not Device.objects.filter(id=device_id, kind="phone").exists():
            raise NotFound(_("There is no phone here with this id."))
        Device.objects.filter(id=device_id, revoked_at=None).update(revoked_at=now)
        AccessToken.objects.filter(device_id=device_id, revoked_at=None).update(revoked_at=now)


def set_service_rules(*, actor: Actor, effective_from: date, **values: Any) -> ServiceRules:
    """The operator's values of the names in ``RULES`` from a date on: days as whole numbers, the others as Decimal.

    One left out has its default. BadInput for a value or a date that makes no sense, Conflict for a date that has values.
    """
    require(actor, Permission.OPERATOR_MANAGE)
    rules = ServiceRules(operator_id=actor.operator_id, effective_from=effective_from, **values)
    refuse_bad_rows([rules], ranges=RULES, check=_rules_problems)
    with tenancy.writing(actor):
        if effective_from < clock.today(queries.get_operator().zone):
            past = _("Values can't change what was said on past days. Choose today or later.")
            raise BadInput(past, errors=[Problem("/0/effective_from", "past", past)])
        if ServiceRules.objects.filter(effective_from=effective_from).exists():
            raise Conflict(
                _("Values from {day} on are set already; choose a later date.", day=effective_from)
            )
        jobs.enqueue(kind=jobs.DUE_REFRESH, dedup_key=f"rules/{effective_from}")
        rules.save(force_insert=True)
        return rules


def _rules_problems(rules: ServiceRules) -> list[Problem]:
    if rules.wick_watch_days > rules.wick_limit_days:
        return [
            Problem("/wick_watch_days", "after-limit", _("A wick is watched before its limit, not after it."))
        ]
    return []
