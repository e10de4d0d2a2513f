"""What a list is narrowed by, and where it goes on: a rival's ids in filters, and its cursors."""

from __future__ import annotations

from collections.abc import Iterator

from tests.probes.asking import Ask, Probe
from tests.probes.ground import Caller, Ground, nobody_has
from tests.probes.routes import Operation
from tests.probes.ways.addresses import values_in

READ = frozenset({200})
NOT_READ = frozenset({200, 400, 404, 422})
# Filters that take an id of another name than their own.
KINDS = {"subject": "unit_id", "statement": "bank_statement_id", "id": "customer_id"}
# Filters that take a word: which of a rival's words could stand there.
WORDS = {
    "code": ("number", "contract_number"),
    "corrects": ("number",),
    "credit_note": ("credit_note",),
    "document": ("number",),
    "account": ("account",),
    "number": ("contract_number", "number"),
}


def filters(operation: Operation) -> Iterator[tuple[str, str]]:
    """Each query parameter that names a row, and what of a rival's it could name (a key of ``Operator.ids``)."""
    for name, schema in operation.query:
        if schema.get("format") == "uuid":
            yield name, KINDS.get(name, f"{name}_id")
        for key in WORDS.get(name, ()) if schema.get("type") == "string" else ():
            yield name, key


def foreign_filters(ground: Ground, operation: Operation, callers: tuple[str, ...]) -> Iterator[Probe]:
    """A rival's id in a filter finds nothing, as nobody's does."""
    own = {part: ground.full.ids.get(part, "") for part in operation.route.parts}
    for name, key in filters(operation):
        value = ground.south.ids.get(key)
        if value is None:
            continue
        for caller in _readers(ground, operation, callers):
            one, other = (
                Ask("GET", operation.route.path(own), (said,), {name: said})
                for said in (value, nobody_has(value))
            )
            yield Probe(operation.name, "a rival's id in a filter", caller, one, other, NOT_READ)


def foreign_cursors(ground: Ground, operation: Operation, callers: tuple[str, ...]) -> Iterator[Probe]:
    """A rival's place in a list shows one's own rows, or nothing."""
    if "after" not in dict(operation.query):
        return
    theirs = values_in(operation.route, ground.south)
    if theirs is None:
        return
    page = ground.south.owner.client.get(operation.route.path(theirs), {"limit": 1})
    cursor = page.json().get("next") if page.status_code in READ else None
    if cursor is None:
        return
    own = {part: ground.full.ids[part] for part in operation.route.parts}
    for caller in _readers(ground, operation, callers):
        ask = Ask("GET", operation.route.path(own), (str(cursor),), {"after": str(cursor)})
        yield Probe(operation.name, "a rival's cursor", caller, ask, None, NOT_READ)


def own_lists(ground: Ground, operation: Operation, callers: tuple[str, ...]) -> Iterator[Probe]:
    """Whatever one may read of one's own says nothing of a rival's."""
    own = {part: ground.full.ids.get(part) for part in operation.route.parts}
    if None in own.values():
        return
    needed = {"month": "2026-05-01"} if _needs(operation, "month") else {}
    for caller in _readers(ground, operation, callers):
        ask = Ask("GET", operation.route.path({k: str(v) for k, v in own.items()}), (), needed)
        yield Probe(operation.name, "what is one's own", caller, ask, None, READ)


def _needs(operation: Operation, name: str) -> bool:
    return any(one["name"] == name and one.get("required") for one in operation.parameters)


def _readers(ground: Ground, operation: Operation, callers: tuple[str, ...]) -> list[Caller]:
    permission = operation.route.permissions[operation.method]
    return [
        one for one in ground.full.callers if one.name in callers and one.may(permission, operation.method)
    ]
