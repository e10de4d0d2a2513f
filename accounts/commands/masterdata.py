"""New rows of master data: checked field by field and reference by reference, then stored all together or not at all."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError
from django.db.models import CharField, JSONField, Model, TextField, UniqueConstraint
from psycopg import errors as postgres

from accounts import tenancy
from accounts.errors import BadInput, Conflict, NotFound, Problem
from accounts.ids import uuid7
from accounts.languages import N_, _
from accounts.permissions import Actor
from accounts.tenancy import TenantForeignKey

Ranges = Mapping[str, tuple[int | Decimal, int | Decimal]]
Check = Callable[[Any], Sequence[Problem]]

# Codes that stand in an address. A slash or a lone dot would make it another address.
ADDRESS_CODE = re.compile(r"\w[\w .+-]*(?<! )\Z")
ADDRESS_CODE_MEANING = N_(
    "A code has letters, digits, dots, dashes, plus signs, underscores and spaces, and begins with a letter or digit."
)


# What the fields of a row are called in a sentence, and the kinds of rows; one that is not here is said in English.
FIELD_WORDS = {
    "address": N_("Address"),
    "anchor_on": N_("Anchor on"),
    "area": N_("Area"),
    "billing_email": N_("Billing email"),
    "code": N_("Code"),
    "country": N_("Country"),
    "dry_soon_days": N_("Dry soon days"),
    "dry_target": N_("Dry target"),
    "dust": N_("Dust"),
    "email": N_("Email"),
    "ends_on": N_("Ends on"),
    "false_alarms_per_1000": N_("False alarms per 1000"),
    "family": N_("Family"),
    "fixture": N_("Fixture"),
    "grace_after_days": N_("Grace after days"),
    "grace_before_days": N_("Grace before days"),
    "hardness_mg_per_l": N_("Hardness mg per l"),
    "interval_months": N_("Interval months"),
    "kind": N_("Kind"),
    "label": N_("Label"),
    "latitude": N_("Latitude"),
    "legal_name": N_("Legal name"),
    "long_past_days": N_("Long past days"),
    "longitude": N_("Longitude"),
    "name": N_("Name"),
    "nominal_dose_ml_per_day": N_("Nominal dose ml per day"),
    "number": N_("Number"),
    "reservoir_ml": N_("Reservoir ml"),
    "starts_on": N_("Starts on"),
    "volume_ml": N_("Volume ml"),
    "wick_change_cost": N_("Wick change cost"),
    "wick_down_day_cost": N_("Wick down day cost"),
    "wick_failure_cost": N_("Wick failure cost"),
    "wick_limit_days": N_("Wick limit days"),
    "wick_wash_cost": N_("Wick wash cost"),
    "wick_watch_days": N_("Wick watch days"),
    "zone": N_("Zone"),
}
ROW_WORDS = (
    N_("cartridge"),
    N_("code"),
    N_("crew"),
    N_("customer"),
    N_("email"),
    N_("liquid"),
    N_("name"),
    N_("number"),
    N_("restroom"),
    N_("service agreement"),
    N_("site"),
    N_("site contact"),
    N_("station"),
    N_("unit"),
    N_("unit model"),
)


def nothing_more(row: Any) -> Sequence[Problem]:
    """The check of a row that its fields say everything about."""
    return ()


def insert_rows(
    actor: Actor,
    model: Any,
    values: Sequence[Mapping[str, Any]],
    *,
    ranges: Ranges | None = None,
    check: Check = nothing_more,
    after: Callable[[list[Any]], None] | None = None,
) -> list[Any]:
    """Store a row for each of ``values`` in one transaction, all or none; ``after`` runs in it.

    Pointers begin with the row's index in ``values``. BadInput for a field that can't be so, NotFound for a reference
    to what this operator does not have, Conflict for what exists already.
    """
    made = [model(**{"id": uuid7(), "operator_id": actor.operator_id, **row}) for row in values]
    refuse_bad_rows(made, ranges=ranges, check=check)
    try:
        with tenancy.writing(actor):
            refuse_absent_references(made)
            model.objects.bulk_create(made, batch_size=1_000)
            if after is not None:
                after(made)
    except IntegrityError as clash:
        raise conflict_of(actor, model, made, clash) from clash
    return made


def refuse_bad_rows(
    rows: Sequence[Model], *, ranges: Ranges | None = None, check: Check = nothing_more
) -> None:
    """BadInput naming every field of these new rows that its column or ``ranges`` (both ends included) can't hold."""
    problems = [
        Problem(f"/{index}{problem.pointer}", problem.code, problem.detail)
        for index, row in enumerate(rows)
        for problem in _row_problems(row, ranges or {}, check)
    ]
    if problems:
        raise BadInput(_("{detail} Nothing was changed.", detail=problems[0].detail), errors=problems)


def _row_problems(row: Model, ranges: Ranges, check: Check) -> list[Problem]:
    found = _field_problems(row)
    wrong = {problem.pointer[1:] for problem in found}
    for name, (least, most) in ranges.items():
        value = getattr(row, name)
        if name not in wrong and value is not None and not least <= value <= most:
            outside = _("{what} lies from {least} to {most}.", what=_said(name), least=least, most=most)
            found.append(Problem(f"/{name}", "out-of-range", outside))
    return found or list(check(row))


def _field_problems(row: Model) -> list[Problem]:
    found = []
    for name in (f.name for f in row._meta.fields if isinstance(f, CharField | TextField)):
        value = getattr(row, name)
        if isinstance(value, str) and "\x00" in value:
            unreadable = _("{what} has a character that can't be stored.", what=_said(name))
            found.append(Problem(f"/{name}", "invalid", unreadable))
        elif isinstance(value, str) and value and not value.strip():
            setattr(row, name, "")
    # References are looked up later, and Django takes an empty list for one left out.
    apart = {
        f.name
        for f in row._meta.fields
        if f.is_relation or (isinstance(f, JSONField) and not getattr(row, f.name))
    }
    try:
        row.clean_fields(exclude=apart)
    except ValidationError as wrong:
        found += [
            Problem(
                f"/{name}",
                str(one.code),
                _wrong(_said(name), one),
            )
            for name, errors in wrong.error_dict.items()
            for one in errors
        ]
    return found


def _wrong(what: str, said: ValidationError) -> str:
    """In our own words what is wrong most often, else in the framework's."""
    params = said.params or {}
    if said.code == "max_length":
        return _(
            "{what} has at most {most} characters; this has {count}.",
            what=what,
            most=params["limit_value"],
            count=params["show_value"],
        )
    if said.code == "blank":
        return _("{what} is missing.", what=what)
    return _("{what}: {wrong}", what=what, wrong=" ".join(said.messages))


def _said(name: str) -> str:
    return _(FIELD_WORDS.get(name) or name.replace("_", " ").capitalize())


def refuse_absent_references(rows: Sequence[Model]) -> None:
    """Inside an open scope. NotFound, pointing at each reference to what this operator does not have.

    Absent and another operator's look the same.
    """
    problems = []
    fields = [f for f in rows[0]._meta.fields if isinstance(f, TenantForeignKey)] if rows else []
    for field in fields:
        target: Any = field.related_model
        wanted = {getattr(row, field.attname) for row in rows} - {None}
        known = set(target.objects.filter(id__in=wanted).values_list("id", flat=True)) if wanted else set()
        problems += [
            Problem(
                f"/{index}/{field.name}",
                "not-found",
                _("There is no {what} here with this id.", what=_(str(target._meta.verbose_name))),
            )
            for index, row in enumerate(rows)
            if getattr(row, field.attname) not in known | {None}
        ]
    if problems:
        raise NotFound(_("{detail} Nothing was changed.", detail=problems[0].detail), errors=problems)


def conflict_of(actor: Actor, model: Any, rows: Sequence[Any], clash: IntegrityError) -> Conflict:
    """What stood in the way, with a pointer to each row whose code, number or name is taken."""
    what = _(str(model._meta.verbose_name))
    with tenancy.reading(actor):
        problems = [problem for keys in _keys(model) for problem in _taken(model, rows, keys)]
    if problems:
        return Conflict(_("Nothing was added: {detail}", detail=problems[0].detail), errors=problems)
    if isinstance(clash.__cause__, postgres.ExclusionViolation):
        return Conflict(
            _("Nothing was added: a {what} would overlap another in time. End that one first.", what=what)
        )
    return Conflict(_("Nothing was added: a {what} among these does not fit what exists already.", what=what))


def _keys(model: Any) -> list[tuple[str, ...]]:
    """What a row is known by within its operator: the columns of its unique constraints."""
    return [
        tuple(model._meta.get_field(name).attname for name in one.fields if name != "operator")
        for one in model._meta.constraints
        if isinstance(one, UniqueConstraint)
    ]


def _taken(model: Any, rows: Sequence[Any], keys: tuple[str, ...]) -> list[Problem]:
    last = keys[-1]
    own = [tuple(getattr(row, name) for name in keys) for row in rows]
    stored = model.objects.filter(**{f"{last}__in": {key[-1] for key in own}}).values_list(*keys)
    seen = set(stored)
    problems = []
    for index, key in enumerate(own):
        if key in seen:
            detail = _(
                "a {what} of this {name}, {value}, exists already.",
                what=_(str(model._meta.verbose_name)),
                name=_(last.replace("_", " ")),
                value=key[-1],
            )
            problems.append(Problem(f"/{index}/{last}", "taken", detail))
        seen.add(key)
    return problems
