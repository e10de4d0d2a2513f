"""Whether scopes part operators where no policy does: in Python, and at the doors that name an operator."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.apps import apps
from django.test import Client

from accounts import tenancy
from accounts.models import Customer
from tests.cast import Cast

NOT_FOUND = 404


def scopes_that_leak(one: Cast, other: Cast) -> list[str]:
    """What is seen or begun in a scope, or without one, that should not be."""
    found = [
        f"{model.__name__}: rows without the operator's own manager"
        for model in apps.get_models()
        if issubclass(model, tenancy.OperatorScoped)
        and not isinstance(model.objects, tenancy.OperatorManager)
    ]
    # As the owner of the tables, from whom its policy hides nothing: what is left is what the manager asks for.
    with tenancy.operator_scope(one.operator.id, using="migrate", read_only=True):
        seen = set(Customer.objects.values_list("operator_id", flat=True))
    if seen != {one.operator.id}:
        found.append(f"a scope shows customers of {len(seen)} operators")
    found += _not_refused(
        "rows without a scope", tenancy.NoOperatorScope, lambda: list(Customer.objects.all())
    )
    found += _not_refused("an operator without a scope", tenancy.NoOperatorScope, tenancy.current_operator_id)
    found += _not_refused(
        "a last act without a command", tenancy.NoOperatorScope, lambda: tenancy.at_the_end(lambda: None)
    )
    with tenancy.across_operators():
        found += _not_refused("one operator of all", tenancy.NoOperatorScope, tenancy.current_operator_id)
    with tenancy.reading(one.owner):
        found += _not_refused(
            "another's scope", tenancy.ScopeConflict, lambda: _enter(tenancy.reading(other.owner))
        )
        found += _not_refused("all scopes", tenancy.ScopeConflict, lambda: _enter(tenancy.across_operators()))
    return found


def _enter(scope: Any) -> None:
    with scope:
        pass


def _not_refused(what: str, refusal: type[Exception], ask: Callable[[], Any]) -> list[str]:
    try:
        ask()
    except refusal:
        return []
    except Exception as met:  # noqa: BLE001 - whatever it is, it is not the refusal
        return [f"{what}: met {type(met).__name__}, not {refusal.__name__}"]
    return [f"{what}: not refused"]


def rivals_let_in(one: Cast, other: Cast) -> list[str]:
    """Doors at which a member of one operator names the other and is let in."""
    client = Client(headers={"wickround-operator": other.operator.slug})
    client.force_login(one.users[one.owner.role])
    asked = (
        "/api/v1/sites",
        "/api/v1/operator",
        f"/{other.operator.slug}/sites/",
        f"/{other.operator.slug}/me",
    )
    return [path for path in asked if client.get(path, secure=True).status_code != NOT_FOUND]
