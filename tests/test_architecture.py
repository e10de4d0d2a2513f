"""What imports can't show, read from the syntax trees and from the address list. Imports themselves: ``lint-imports``."""

from __future__ import annotations

import ast
import itertools
import re
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

from django.apps import apps
from django.urls import URLPattern, URLResolver, get_resolver

from accounts.permissions import Permission

ROOT = Path(__file__).resolve().parent.parent
APPS = ("accounts", "fleet", "servicing", "billing")
PRODUCT = (*APPS, "config", "demo_tenant")

# Which modules hold tables and SQL; a name stands for the file and for the package of that name.
HOLDERS = {
    "auditing",
    "commands",
    "isolation",
    "jobs",
    "log",
    "models",
    "projections",
    "queries",
    "sessions",
    "tenancy",
}
OTHER_SQL = {
    "accounts/management/commands/audit_isolation.py": "opens the cursor that the audit reads the catalogue with",
    "config/health.py": "asks the catalogue about its own role, and Django how many migrations were applied",
    "config/management/commands/migrate.py": "sets how long a migration waits, and takes turns with another run of it",
    "config/starting.py": "the same, before anything is served",
    "demo_tenant/hosting.py": "looks into a trial database before Django's connections point at it",
}

# The one clock, and what measures how long something took, which is no business time.
CLOCKS = {
    "accounts/clock.py": "the one clock",
    "demo_tenant/management/commands/demo.py": "when, by the machine's clock, a play ended",
    "demo_tenant/management/commands/score_forecasts.py": "how long the scoring took",
}

ACROSS_OPERATORS = {
    "accounts/jobs/claiming.py": "the relay: what is owed to whom",
    "accounts/queries/people.py": "the ids of all operators, for the tick, the rebuild and the checks",
    "accounts/queries/service.py": "what is owed and when each operator was swept, for those who run the service",
    "accounts/tenancy/__init__.py": "where it is made",
}

SENDERS = {"accounts/tasks.py": "the relay"}

LONG_FILES: dict[str, str] = {}
LONG_FUNCTIONS: dict[str, str] = {
    "tests/cast.py:new_cast": "a list of what a cast has, in the order it must be made",
}

# Anybody may ask for these; each with why.
OPEN_ADDRESSES = {
    "choose-operator": "sends a person on to an operator of theirs, or to the sign-in",
    "invitation": "shows who is invited to whoever has the signed link, and makes them a member",
    "scanned": "sends on to a unit's page, which asks for its permission",
    "record": "opens a service record, by the token in its link",
    "record-scanned": "the same, as a code is scanned",
    "record-site": "one site of that record",
    "record-month": "one month of it",
    "record-month-file": "the same as a file",
    "record-photo": "a photo that it shows",
    "record-sheet": "a safety data sheet that it shows",
    "record-report": "takes down what somebody at the site tells, by the same token and counted",
    "record-told": "says what becomes of that",
    "shared": "opens what a mail was about, by the signature in its link",
    "shared-file": "the same as a file",
    "sign-in": "where one is not yet known",
    "second-factor": "where one's password was right and one is not yet let in",
    "set-up-second-factor": "the same, for who has no second factor yet",
    "recovery-codes": "shows whoever is signed in the codes made for them a moment ago, once",
    "forgotten-password": "asks for a link to a new password, with the same answer for everybody, counted",
    "new-password": "lets whoever has the signed link choose a new password",
    "new-password-set": "says that it holds, to whoever asks",
    "sign-out": "ends the session, whoever it was",
    "problems": "the list of refusals, no operator's data",
    "problem": "what one refusal means, no operator's data",
    "token": "where programs sign in, with an id and a secret",
    "revoke-token": "takes back a program's token, from the program itself",
    "oauth-server-metadata": "says where the two are, no operator's data",
    "healthz": "says that the process lives",
    "readyz": "says whether it may be used",
    "metrics": "figures of the service for whoever says its token, no operator's data",
    "service": "how the service stands, for people of the service alone, which it asks itself",
    "api-schema": "describes the API, no operator's data",
    "schema": "describes the API, no operator's data",
}


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def sources(*folders: str) -> list[Path]:
    found = itertools.chain.from_iterable((ROOT / folder).rglob("*.py") for folder in folders)
    return sorted(path for path in found if "migrations" not in path.parts)


def name_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def holds_tables(path: Path) -> bool:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return len(parts) > 1 and parts[1] in HOLDERS


def calls(path: Path) -> Iterator[tuple[int, str]]:
    """Line and dotted name of every call."""
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Call):
            yield node.lineno, ast.unparse(node.func)


def attributes(path: Path) -> Iterator[tuple[int, str]]:
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Attribute):
            yield node.lineno, node.attr


def imports(path: Path) -> Iterator[tuple[int, str]]:
    """Line and dotted name of everything imported."""
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from ((node.lineno, f"{node.module}.{alias.name}") for alias in node.names)


def tables_reached(path: Path) -> list[str]:
    managers = [line for line, attribute in attributes(path) if attribute == "objects"]
    called = [
        line for line, name in calls(path) if name.rsplit(".", 1)[-1] in {"raw", "cursor", "executemany"}
    ]
    psycopg = [
        line for line, name in imports(path) if name.split(".")[0] == "psycopg" and name != "psycopg.errors"
    ]
    return [f"{name_of(path)}:{line}" for line in sorted({*managers, *called, *psycopg})]


def test_tables_and_sql_are_reached_only_where_they_belong():
    doors = [path for path in sources(*PRODUCT) if not holds_tables(path) and "embedded" not in path.parts]

    found = [place for path in doors for place in tables_reached(path)]

    assert [place for place in found if place.split(":")[0] not in OTHER_SQL] == []
    assert {name for path in sources("accounts") for name in tables_reached(path)} != set()


def test_the_log_is_appended_to_only_by_servicings_commands():
    found = {name_of(path) for path in sources(*PRODUCT) for _, name in calls(path) if name == "log.append"}
    renamed = {
        name for path in sources(*PRODUCT) for _, name in imports(path) if name == "servicing.log.append"
    }

    assert found == {"servicing/commands/uploads.py"}
    assert renamed == set()


def test_only_callers_on_the_list_look_across_operators():
    named = {
        name_of(path)
        for path in sources(*PRODUCT)
        for node in ast.walk(tree_of(path))
        if (isinstance(node, ast.Name) and node.id == "across_operators")
        or (isinstance(node, ast.Attribute) and node.attr == "across_operators")
    }
    by_alias = {
        name_of(path)
        for path in sources(*APPS)
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Subscript) and ast.unparse(node) == "connections['system']"
    }

    assert named == ACROSS_OPERATORS.keys() - {"accounts/tenancy/__init__.py"}
    assert by_alias <= ACROSS_OPERATORS.keys()


WALL_CLOCK = re.compile(
    r"(^|\.)(datetime\.(now|utcnow|today)|date\.today|timezone\.(now|localdate|localtime)|time\.time)$"
)


def test_only_the_clock_reads_the_clock():
    found = {
        f"{name_of(path)}:{line}"
        for path in sources(*PRODUCT)
        for line, name in calls(path)
        if WALL_CLOCK.search(name)
    }
    bare = [
        name
        for path in sources(*PRODUCT)
        for _, name in imports(path)
        if name in {"time.time", "time.localtime"}
    ]

    assert [place for place in sorted(found) if place.split(":")[0] not in CLOCKS] == []
    assert "accounts/clock.py" in {place.split(":")[0] for place in found}
    assert bare == []


def test_only_the_relay_sends_to_workers():
    sending = {"delay", "apply_async", "send_task", "signature"}
    found = {
        name_of(path)
        for path in sources(*PRODUCT)
        for _, name in calls(path)
        if name.rsplit(".", 1)[-1] in sending
    }

    assert found == SENDERS.keys()


def test_nothing_happens_by_signal_or_by_saving():
    signals = (
        "django.dispatch",
        "django.db.models.signals",
        "django.core.signals",
        "django.db.backends.signals",
    )
    imported = [
        f"{name_of(path)}: {name}"
        for path in sources(*PRODUCT)
        for _, name in imports(path)
        if name.startswith(signals)
    ]
    overridden = [
        f"{name_of(path)}: {node.name}.{method.name}"
        for path in sources(*PRODUCT)
        # A door's delete is the method of HTTP; a store of sessions has the methods that Django calls.
        if "api" not in path.parts and name_of(path) != "accounts/sessions.py"
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.ClassDef)
        for method in node.body
        if isinstance(method, ast.FunctionDef) and method.name in {"save", "delete", "full_clean"}
    ]

    assert (imported, overridden) == ([], [])


def test_models_are_imported_not_looked_up_by_name():
    found = {
        name_of(path) for path in sources(*PRODUCT) for _, name in calls(path) if name.endswith("get_model")
    }

    # The migration operations that isolate and audit tables work on the state of its migration.
    assert found == {"accounts/tenancy/auditing.py", "accounts/tenancy/isolating.py"}


def test_billing_knows_no_float():
    found = [
        f"{name_of(path)}:{node.lineno}"
        for path in sorted((ROOT / "billing").rglob("*.py"))
        for node in ast.walk(tree_of(path))
        if (isinstance(node, ast.Name) and node.id == "float")
        or (isinstance(node, ast.Attribute) and node.attr == "FloatField")
        or (isinstance(node, ast.Constant) and isinstance(node.value, float))
    ]

    assert found == []


def test_files_and_functions_stay_short():
    everything = sources(*PRODUCT, "tests")
    long_files = {name_of(path) for path in everything if len(path.read_text().splitlines()) > 400}
    long_functions = {
        f"{name_of(path)}:{node.name}"
        for path in everything
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.FunctionDef) and (node.end_lineno or 0) - node.lineno >= 60
    }

    assert long_files == LONG_FILES.keys()
    assert long_functions == LONG_FUNCTIONS.keys()


def test_modules_are_named_for_what_they_hold():
    vague = {"utils", "util", "helpers", "services", "common", "base", "misc", "manager"}

    assert [
        name_of(path) for path in sources(*PRODUCT, "tests") if vague & set(path.with_suffix("").parts)
    ] == []


def test_every_module_of_an_app_is_public_or_protected():
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    protected = {name for contract in contracts for name in contract.get("protected_modules", ())}
    public = {
        f"{app}.{role}" for app in APPS for role in ("commands", "queries", "apps", "migrations", "urls")
    } | {
        "servicing.events",
        *(
            f"accounts.{name}"
            for name in (
                "auditing",
                "authentication",
                "clock",
                "doors",
                "errors",
                "ids",
                "jobs",
                "languages",
                "limits",
                "origin",
                "pages",
            )
        ),
        *(f"accounts.{name}" for name in ("permissions", "phrases", "sessions", "tenancy")),
    }
    modules = {
        f"{app}.{path.stem}"
        for app in APPS
        for path in (ROOT / app).iterdir()
        if (path.suffix == ".py" and path.stem != "__init__") or (path / "__init__.py").exists()
    }

    assert sorted(modules - public - protected) == []


def test_every_table_of_an_operator_says_so_in_its_keys():
    """A composite key of its own, or the server's id, which the isolating operation pairs with the operator."""
    keys = {
        model.__name__: [field.name for field in model._meta.pk_fields]
        for model in apps.get_models()
        if any(field.name == "operator" for field in model._meta.fields) and model._meta.app_label in APPS
    }

    assert len(keys) > 30
    assert {name: key for name, key in keys.items() if key[0] not in {"operator", "id"}} == {}


# Addresses


def addresses(
    patterns: list[URLPattern | URLResolver] | None = None, prefix: str = ""
) -> Iterator[tuple[str, str, Any]]:
    """Route, name and view of every address."""
    for pattern in get_resolver().url_patterns if patterns is None else patterns:
        route = prefix + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            yield from addresses(pattern.url_patterns, route)
        else:
            yield route, pattern.name or "", pattern.callback


def declared(view: Any) -> list[Any]:
    """The permissions of a view: a page carries one, an API door one for each of its methods."""
    door = getattr(view, "view_class", None) or getattr(view, "cls", None)
    if door is None:
        return [getattr(view, "permission", None)]
    handled = [name.upper() for name in door.http_method_names if hasattr(door, name) and name != "head"]
    return [getattr(door, "permissions", {}).get(method) for method in handled] or [None]


def test_every_address_declares_a_permission():
    everything = list(addresses())
    open_to_all = [
        (route, name)
        for route, name, view in everything
        if not all(isinstance(permission, Permission) for permission in declared(view))
    ]

    assert len(everything) > 20
    assert [route for route, name in open_to_all if name not in OPEN_ADDRESSES] == []


def test_every_page_of_an_operator_names_it_in_its_address():
    found = [
        route
        for route, name, view in addresses()
        if isinstance(getattr(view, "permission", None), Permission) and not route.startswith("<slug:slug>/")
    ]

    assert found == []
