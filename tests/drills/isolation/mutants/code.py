"""Mutants of the code: a role's line, a door's permission, a command's question, a scope's refusal; each must be noticed."""

from __future__ import annotations

import ast
import functools
import importlib
import inspect
import itertools
import sys
import textwrap
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import CodeType, FunctionType
from typing import Any

from accounts import authentication, permissions, tenancy
from accounts.pages import door
from accounts.permissions import PROGRAM_SCOPES, ROLE_PERMISSIONS, Permission, Role
from tests.permission_table import MAY, ROLES, checking, scopes
from tests.permission_table.acts import ACTS

LEAST = 700
DOORS = {"operation", "page"}
WEAKEST = Permission.OWN_SETTINGS
# Questions asked twice: without the first the second still refuses, so that nothing is to be noticed. Each with the second.
ASKED_TWICE = {
    "billing.commands.closing.close_month": "close_in_scope",
    "billing.commands.month_jobs._owe": "accounts.jobs.long.begin",
    "billing.commands.previewing.preview_month": "close_in_scope, which it calls and undoes",
}
# Questions about a file that was found: no role may import one kind and not another, so that only a program's scopes can be
# too few. tests/api/test_imports.py asks with such a program.
ASKED_OF_PROGRAMS = {
    "servicing.commands.importing.carrying_out.begin_import 2",
    "servicing.commands.importing.looking.left_out_file 2",
}


@dataclass(frozen=True, slots=True)
class Mutant:
    """``broken`` breaks the product while it is open; ``notice`` gives findings, none while nothing is broken."""

    kind: str
    name: str
    broken: Callable[[], Any]
    notice: Callable[[], list[str]]


def play(servers: Any, *, full: bool) -> dict[str, Any]:
    """Break one thing at a time, ask the checks, and mend it."""
    from django.conf import settings

    from tests.cast import new_cast
    from tests.integration.serving import as_in_the_tests

    as_in_the_tests()
    settings.RATE_LIMITS = dict.fromkeys(settings.RATE_LIMITS, (60_000_000, 1_000_000))
    north, south = new_cast("north"), new_cast("south")
    counts: Counter[str] = Counter()
    missed = []
    before = len(checks_of_all(north, south, cells=full))
    made = list(every_mutant(north, south))
    for mutant in made:
        # A door's own check must find nothing while nothing is broken; the others were asked above, all at once.
        before += len(mutant.notice()) if mutant.kind in DOORS else 0
        with mutant.broken():
            is_noticed = bool(mutant.notice())
        counts[mutant.kind] += is_noticed
        if not is_noticed:
            missed.append(f"{mutant.kind}: {mutant.name}")
    for name in missed:
        print(f"drill: not noticed: {name}", file=sys.stderr)
    return {
        "mutants": len(made),
        "caught": sum(counts.values()),
        "missed": len(missed),
        "by_kind": dict(sorted(counts.items())),
        "survivors": missed[:20],
        "asked_twice": sorted(ASKED_TWICE),
        "gaps_before": before,
        "gaps_after": len(checks_of_all(north, south, cells=full)),
    }


play.least = LEAST  # type: ignore[attr-defined]


def checks_of_all(north: Any, south: Any, *, cells: bool) -> list[str]:
    """What the checks find of the product as it is; ``cells``: of each role at each door too."""
    found = checking.roles_that_differ() + checking.doors_that_differ() + checking.acts_not_written_down()
    found += checking.acts_that_differ(north)
    for letter in ROLES if cells else ():
        asked = [*checking.operations(), *checking.pages()]
        found += checking.cells_that_differ(
            asked, north.operator.slug, checking.person(north, letter), functools.partial(_may, letter)
        )
    return found + scopes.scopes_that_leak(north, south) + scopes.rivals_let_in(north, south)


def _may(letter: str, permission: str) -> bool:
    return letter in MAY[permission]


def every_mutant(north: Any, south: Any) -> Iterator[Mutant]:
    yield from of_roles()
    yield from of_api_doors(north)
    yield from of_pages(north)
    yield from of_commands(north)
    yield from of_the_questions(north)
    yield from of_scopes(north, south)


# Tables


def of_roles() -> Iterator[Mutant]:
    """Each line of each role taken away or added, each scope likewise, and each need of a second factor."""
    notice = checking.roles_that_differ
    for role, one in itertools.product(Role, Permission):
        other = ROLE_PERMISSIONS[role] ^ {one}
        yield Mutant("role's line", f"{role} {one}", _put(ROLE_PERMISSIONS, role, other), notice)
    for one in Permission:
        changed = {key: words for key, words in PROGRAM_SCOPES.items() if key != one}
        if one not in PROGRAM_SCOPES:
            changed[one] = "Anything."
        yield Mutant("scope", str(one), _set(checking, "PROGRAM_SCOPES", changed), notice)
    for role in Role:
        changed_set = permissions.NEEDS_SECOND_FACTOR ^ {role}
        yield Mutant("second factor", str(role), _set(checking, "NEEDS_SECOND_FACTOR", changed_set), notice)


# Doors


def of_api_doors(north: Any) -> Iterator[Mutant]:
    """Each operation asks for no more than everybody may."""
    views = dict(checking.addresses())
    for method, address, permission in checking.operations():
        declared = views[address].view_class.permissions
        notice = _noticed_at(north, method, address, permission)
        if notice:
            yield Mutant("operation", f"{method} {address}", _put(declared, method, WEAKEST), notice)


def of_pages(north: Any) -> Iterator[Mutant]:
    """Each page likewise: what it asks, not what it says that it asks."""
    views = dict(checking.addresses())
    for method, address, permission in checking.pages():
        notice = _noticed_at(north, method, address, permission)
        if notice:
            broken = _set(_cell_of(views[address], "permission"), "cell_contents", WEAKEST)
            yield Mutant("page", f"{method} {address}", broken, notice)


def _noticed_at(north: Any, method: str, address: str, permission: str) -> Callable[[], list[str]] | None:
    """How the first of the roles that lacks the permission fares there; None where everybody may."""
    lacking = next((letter for letter in ROLES if letter not in MAY[permission]), None)
    if lacking is None:
        return None
    asked, slug, client = (
        [(method, address, permission)],
        north.operator.slug,
        checking.person(north, lacking),
    )

    def notice() -> list[str]:
        # What the door asks, and what comes of it: often the command behind it would refuse as well.
        return checking.questions_that_differ(asked, slug, client) + checking.cells_that_differ(
            asked, slug, client, functools.partial(_may, lacking)
        )

    return notice


def _cell_of(view: Any, name: str) -> Any:
    """Where a decorated page keeps what its decorator was given."""
    while view is not None:
        if name in view.__code__.co_freevars:
            return view.__closure__[view.__code__.co_freevars.index(name)]
        view = getattr(view, "__wrapped__", None)
    raise LookupError(f"This page was given no {name}.")


# Commands


def of_commands(north: Any) -> Iterator[Mutant]:
    """Each ``require`` of a command, or of what it calls in its module, taken out of the code."""
    for name in sorted({act.partition("?")[0].rpartition(".")[0] for act in ACTS}):
        module = importlib.import_module(name)
        acts = [act for act in ACTS if act.partition("?")[0].rpartition(".")[0] == name]
        for function in _functions_of(module):
            for number, code in enumerate(_without_each(function, _is_question), 1):
                dotted = f"{name}.{function.__name__}"
                if dotted not in ASKED_TWICE and f"{dotted} {number}" not in ASKED_OF_PROGRAMS:
                    notice = functools.partial(checking.acts_that_differ, north, acts)
                    yield Mutant("command", f"{dotted} {number}", _set(function, "__code__", code), notice)


def _is_question(node: ast.stmt) -> bool:
    return (
        isinstance(node, ast.Expr)
        and isinstance(node.value, ast.Call)
        and ast.unparse(node.value.func).rpartition(".")[2] == "require"
    )


def _functions_of(module: Any) -> Iterator[FunctionType]:
    for one in vars(module).values():
        plain = inspect.unwrap(one) if callable(one) else one
        if inspect.isfunction(plain) and plain.__module__ == module.__name__:
            yield plain


# The questions themselves


def of_the_questions(north: Any) -> Iterator[Mutant]:
    """What all of them hang on: ``require`` and ``may``, and the class that asks at the API's doors."""
    acts = functools.partial(checking.acts_that_differ, north, list(ACTS)[:3])
    cells = functools.partial(
        checking.cells_that_differ,
        list(checking.operations())[:20],
        north.operator.slug,
        checking.person(north, "N"),
        functools.partial(_may, "N"),
    )
    for function, old, new, notice in (
        (permissions.require, "if not actor.may(permission):", "if False:", cells),
        (
            permissions.require,
            "if actor.scopes is not None and not actor.may(permission):",
            "if False:",
            None,
        ),
        (permissions.Actor.may, "self.scopes is None or permission in self.scopes", "True", acts),
        (permissions.Actor.may, "permission in ROLE_PERMISSIONS[self.role]", "True", cells),
        (
            authentication.HasDeclaredPermission.has_permission,
            "require(request.auth, permission)",
            "pass",
            cells,
        ),
    ):
        if notice is not None:
            code = _swapped(function, old, new)
            yield Mutant(
                "question", f"{function.__qualname__}: {old}", _set(function, "__code__", code), notice
            )


def of_scopes(north: Any, south: Any) -> Iterator[Mutant]:
    """The manager's filter, each refusal of the scopes, and each comparison by which a door names an operator."""
    leaks = functools.partial(scopes.scopes_that_leak, north, south)
    rivals = functools.partial(scopes.rivals_let_in, north, south)
    manager: Any = tenancy.OperatorManager.get_queryset
    authenticate: Any = authentication.MemberSession.authenticate
    membership: Any = door._found_membership
    for function, old, new, notice in (
        (manager, "rows.filter(operator_id=scope.operator_id)", "rows", leaks),
        (authenticate, "membership.slug == slug", "True", rivals),
        (membership, "if one.slug == slug", "if True", rivals),
    ):
        code = _swapped(function, old, new)
        yield Mutant(
            "scope of an operator",
            f"{function.__qualname__}: {old}",
            _set(function, "__code__", code),
            notice,
        )
    for function in (*_functions_of(tenancy), manager):
        for number, code in enumerate(_without_each(function, lambda node: isinstance(node, ast.Raise)), 1):
            name = f"{function.__qualname__}, refusal {number}"
            yield Mutant("scope of an operator", name, _set(function, "__code__", code), leaks)


# Breaking and mending


def _put(table: Any, key: Any, value: Any) -> Callable[[], Any]:
    @contextmanager
    def broken() -> Iterator[None]:
        before = table[key]
        table[key] = value
        try:
            yield
        finally:
            table[key] = before

    return broken


def _set(owner: Any, name: str, value: Any) -> Callable[[], Any]:
    @contextmanager
    def broken() -> Iterator[None]:
        before = getattr(owner, name)
        setattr(owner, name, value)
        try:
            yield
        finally:
            setattr(owner, name, before)

    return broken


def _tree(function: Any) -> tuple[ast.Module, ast.FunctionDef]:
    tree = ast.parse(textwrap.dedent(inspect.getsource(function)))
    (defined,) = tree.body
    assert isinstance(defined, ast.FunctionDef)
    defined.decorator_list = []
    return tree, defined


def _without_each(function: Any, is_meant: Callable[[ast.stmt], bool]) -> Iterator[CodeType]:
    """A function's code without one such statement, for each of them."""
    number = sum(is_meant(node) for node in ast.walk(_tree(function)[1]) if isinstance(node, ast.stmt))
    for at in range(number):
        tree, defined = _tree(function)
        meant = [node for node in ast.walk(defined) if isinstance(node, ast.stmt) and is_meant(node)]
        for node in ast.walk(defined):
            for name in ("body", "orelse", "finalbody"):
                statements = getattr(node, name, None)
                if isinstance(statements, list):
                    setattr(node, name, [ast.Pass() if one is meant[at] else one for one in statements])
        yield _code(tree, function)


def _swapped(function: Any, old: str, new: str) -> CodeType:
    """A function's code with one piece of its text another."""
    source = textwrap.dedent(inspect.getsource(function))
    assert source.count(old) == 1, f"{function.__qualname__} no longer says: {old}"
    tree = ast.parse(source.replace(old, new))
    (defined,) = tree.body
    assert isinstance(defined, ast.FunctionDef)
    defined.decorator_list = []
    return _code(tree, function)


def _code(tree: ast.Module, function: Any) -> CodeType:
    """Compiled as if it stood there: with the function's own globals, and the names that it closes over."""
    outer = ast.parse(f"def outer({', '.join(function.__code__.co_freevars)}): pass")
    (around,) = outer.body
    assert isinstance(around, ast.FunctionDef)
    around.body = tree.body
    file = inspect.getsourcefile(function) or ""
    whole = compile(ast.fix_missing_locations(outer), file, "exec", dont_inherit=True)
    for name in ("outer", function.__name__):
        (whole,) = (one for one in whole.co_consts if isinstance(one, CodeType) and one.co_name == name)
    assert whole.co_freevars == function.__code__.co_freevars, function.__qualname__
    return whole
