"""The table against the product: what each says of itself, and what happens to who asks. Every check gives its findings."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import re
import typing
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from datetime import date, datetime
from decimal import Decimal
from functools import partial
from types import UnionType
from typing import Any
from unittest import mock
from uuid import UUID, uuid4

from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver

from accounts import authentication, clock
from accounts.errors import Forbidden
from accounts.pages import door
from accounts.permissions import (
    NEEDS_SECOND_FACTOR,
    PROGRAM_SCOPES,
    ROLE_PERMISSIONS,
    Actor,
    Permission,
    Role,
    require,
)
from tests.cast import Cast
from tests.permission_table import MAY, NEED_SECOND_FACTOR, PROGRAMS_MAY, ROLES
from tests.permission_table.acts import ACTS, WITHOUT
from tests.permission_table.api import API
from tests.permission_table.pages import OPEN, PAGES

API_ROOT, PAGE_ROOT = "api/v1/", "<slug:slug>/"
FORBIDDEN = 403
# What stands in an address for its parts, so that it is well formed; nothing of the kind is there.
PARTS = {"month": "2026-05", "day": "2026-06-15", "royalty_month": "2026-05"}


def addresses() -> Iterator[tuple[str, Any]]:
    """Each address of the URL configuration, and its view."""

    def walk(patterns: Iterable[Any], prefix: str) -> Iterator[tuple[str, Any]]:
        for entry in patterns:
            here = prefix + str(entry.pattern)
            if isinstance(entry, URLResolver):
                yield from walk(entry.url_patterns, here)
            elif isinstance(entry, URLPattern):
                yield here, entry.callback

    yield from walk(get_resolver().url_patterns, "")


# What the product says of itself


def roles_that_differ() -> list[str]:
    """Roles, scopes and second factors that are not as written down."""
    written = {
        (role, permission)
        for permission, letters in MAY.items()
        for letter, role in ROLES.items()
        if letter in letters
    }
    held = {(str(role), str(one)) for role, permissions in ROLE_PERMISSIONS.items() for one in permissions}
    found = [
        f"{role}: {permission} is {_side(one, written)}"
        for one in sorted(written ^ held)
        for role, permission in (one,)
    ]
    found += [
        f"{name}: no such permission on both sides"
        for name in sorted(set(MAY) ^ {str(p) for p in Permission})
    ]
    found += [
        f"{name}: no such role on both sides" for name in sorted(set(ROLES.values()) ^ {str(r) for r in Role})
    ]
    scopes = {str(one) for one in PROGRAM_SCOPES}
    found += [f"programs: {one} is {_side(one, PROGRAMS_MAY)}" for one in sorted(PROGRAMS_MAY ^ scopes)]
    factors, needed = (
        {ROLES[letter] for letter in NEED_SECOND_FACTOR},
        {str(one) for one in NEEDS_SECOND_FACTOR},
    )
    return found + [f"second factor: {one} is {_side(one, factors)}" for one in sorted(factors ^ needed)]


def _side(one: Any, written: Any) -> str:
    return "in the table only" if one in written else "in the product only"


def doors_that_differ() -> list[str]:
    """Addresses whose method or permission is not as written down, or that are not written down at all."""
    said: dict[str, str] = {}
    for address, view in addresses():
        permissions = getattr(getattr(view, "view_class", None), "permissions", None)
        if permissions:
            said |= {f"{method} {address}": str(one) for method, one in permissions.items()}
        elif isinstance(getattr(view, "permission", None), Permission):
            said |= {
                f"{method} {address}": str(view.permission) for method in view.methods if method != "HEAD"
            }
        else:
            said[f"ANY {address}"] = ""
    written = {f"ANY {address}": "" for address in OPEN}
    written |= {f"{method} {address}": one for method, address, one in [*operations(), *pages()]}
    return [
        f"{key}: {said.get(key, 'not there')} in the product, {written.get(key, 'not there')} in the table"
        for key in sorted(said.keys() | written.keys())
        if said.get(key) != written.get(key)
    ]


def operations() -> Iterator[tuple[str, str, str]]:
    """Method, address and permission of each operation of the API, from the table."""
    for key, permission in API.items():
        method, _, address = key.partition(" ")
        yield method, API_ROOT + address, permission


def pages() -> Iterator[tuple[str, str, str]]:
    """The same of each page of an operator, a line for each of its methods."""
    for address, line in PAGES.items():
        *methods, permission = line.split()
        for method in methods:
            yield method, PAGE_ROOT + address, permission


# What happens to who asks


def filled(address: str, slug: str) -> str:
    """An address with something in the place of each of its parts."""

    def part(match: re.Match[str]) -> str:
        kind, name = match.groups()
        return (
            slug
            if (kind, name) == ("slug", "slug")
            else str(uuid4())
            if kind == "uuid"
            else PARTS.get(name, "absent")
        )

    return "/" + re.sub(r"<(\w+):(\w+)>", part, address)


def cells_that_differ(
    asked: Iterable[tuple[str, str, str]], slug: str, client: Callable[[], Client], may: Callable[[str], bool]
) -> list[str]:
    """Those of ``asked`` that a caller is let into although it may not, or kept from although it may."""
    found = []
    for method, address, permission in asked:
        answer = _asked(client(), method, address, slug)
        if (answer.status_code == FORBIDDEN) == may(permission):
            found.append(f"{method} {address}: {answer.status_code}, and {permission} says otherwise")
    return found


def questions_that_differ(
    asked: Iterable[tuple[str, str, str]], slug: str, client: Callable[[], Client]
) -> list[str]:
    """Those of ``asked`` whose door asks for another permission: what a command behind it asks does not count."""
    found = []
    for method, address, permission in asked:
        with questions() as heard:
            _asked(client(), method, address, slug)
        if heard != [permission]:
            found.append(f"{method} {address}: asks for {', '.join(heard) or 'nothing'}, not {permission}")
    return found


@contextmanager
def questions() -> Iterator[list[str]]:
    """What the doors ask of whoever comes, while this is open."""
    heard: list[str] = []

    def noted(actor: Actor, permission: Permission) -> None:
        heard.append(str(permission))
        require(actor, permission)

    with ExitStack() as stack:
        for module in (authentication, door):
            stack.enter_context(mock.patch.object(module, "require", noted))
        yield heard


def _asked(client: Client, method: str, address: str, slug: str) -> Any:
    kind = "application/json" if address.startswith(API_ROOT) else "application/x-www-form-urlencoded"
    answer = client.generic(method, filled(address, slug), content_type=kind, secure=True)
    # A file that is sent piece by piece, and that nobody reads here.
    answer.close()
    return answer


def person(cast: Cast, letter: str) -> Callable[[], Client]:
    """Someone of that role, signed in anew for each request: one of them may end every session."""
    role = Role(ROLES[letter])

    def client() -> Client:
        made = Client(headers={"wickround-operator": cast.operator.slug, "referer": "https://testserver/"})
        made.force_login(cast.users[role])
        return made

    return client


# Commands


def acts_that_differ(cast: Cast, only: Iterable[str] = ACTS) -> list[str]:
    """Commands that somebody can give who lacks a permission of theirs, or who has all of them and can not."""
    found = []
    for name in only:
        needed = frozenset(Permission(one) for one in ACTS[name].split())
        for lacking in needed:
            if not is_refused(cast, name, frozenset(Permission) - {lacking}):
                found.append(f"{name}: done without {lacking}")
        if is_refused(cast, name, needed):
            found.append(f"{name}: refused to who may {ACTS[name]}")
    return found


def acts_not_written_down() -> list[str]:
    """Public functions of the commands that take an actor and stand in neither list, and names of none."""
    there = set(public_acts())
    written = {name.partition("?")[0] for name in ACTS} | WITHOUT.keys()
    return sorted(there ^ written) + sorted(ACTS.keys() & WITHOUT.keys())


def public_acts() -> Iterator[str]:
    """Dotted names of the functions that an actor gives: each in the module that defines it."""
    for app in ("accounts", "fleet", "servicing", "billing"):
        package = importlib.import_module(f"{app}.commands")
        for module in _modules(package):
            for name, one in vars(module).items():
                is_public = inspect.isfunction(one) and not name.startswith("_")
                if (
                    is_public
                    and one.__module__ == module.__name__
                    and "actor" in inspect.signature(one).parameters
                ):
                    yield f"{module.__name__}.{name}"


def _modules(package: Any) -> Iterator[Any]:
    yield package
    for info in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
        yield importlib.import_module(info.name)


def is_refused(cast: Cast, name: str, scopes: frozenset[Permission]) -> bool:
    """Whether a command is Forbidden to an owner who is bound to these permissions. What else comes of it is no matter."""
    command = act(name)
    actor = replace(cast.owner, scopes=scopes)
    try:
        command(actor=actor, **placeholders(command))
    except Forbidden:
        return True
    except Exception:  # noqa: BLE001 - it was let in, and met something that is not there
        return False
    return False


def act(name: str) -> Callable[..., Any]:
    """The command of that name, with the arguments that stand behind it."""
    dotted, _, arguments = name.partition("?")
    module, _, function = dotted.rpartition(".")
    found: Callable[..., Any] = getattr(importlib.import_module(module), function)
    given = dict(one.split("=") for one in arguments.split("&") if one)
    return partial(found, **given) if given else found


def placeholders(command: Callable[..., Any]) -> dict[str, Any]:
    """A value of the right kind for each argument that a command can't do without."""
    hints = typing.get_type_hints(command.func if isinstance(command, partial) else command)
    return {
        name: _placeholder(hints.get(name))
        for name, one in inspect.signature(command).parameters.items()
        if name != "actor" and one.default is one.empty and one.kind is one.KEYWORD_ONLY
    }


def _placeholder(hint: Any) -> Any:
    origin = typing.get_origin(hint)
    if origin in {typing.Union, UnionType}:
        return _placeholder(typing.get_args(hint)[0])
    plain: dict[Any, Any] = {
        UUID: uuid4(),
        str: "absent",
        int: 1,
        bool: False,
        bytes: b"absent",
        date: date(2026, 5, 1),
        datetime: clock.now(),
        Decimal: Decimal(1),
        Role: Role.VIEWER,
    }
    if hint in plain:
        return plain[hint]
    if inspect.isclass(origin) and issubclass(origin, Mapping):
        return {}
    return [] if inspect.isclass(origin) and issubclass(origin, Sequence | Iterable) else None
