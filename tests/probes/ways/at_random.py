"""Any of a rival's ids anywhere: in any address, filter, body and header, whether it is of the right kind or not."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from random import Random
from typing import Any
from uuid import uuid4

from tests.probes.asking import FORM, Ask, Probe
from tests.probes.ground import Ground, nobody_has
from tests.probes.routes import Route, all_routes
from tests.probes.rows import UUIDS
from tests.probes.ways.addresses import KEY_HEADER, OPERATOR_HEADER, operation_at

RIGHT_KIND = 0.6
IN_QUERY, IN_BODY, IN_HEADER = 0.3, 0.8, 0.1
HEADERS = (
    OPERATOR_HEADER,
    "x-operator",
    "x-forwarded-user",
    "if-match",
    "if-none-match",
    "referer",
    "x-http-method-override",
)
NAMES = ("id", "customer", "site", "crew", "unit", "operator", "after", "limit", "document", "for", "site_id")


class Dice:
    """Random probes, the same ones for the same seed."""

    def __init__(self, ground: Ground, seed: int) -> None:
        self._ground, self._random = ground, Random(seed)
        self._ids = sorted(tag for tag in ground.tags if UUIDS.fullmatch(tag))
        self._routes = [one for one in all_routes() if one.is_api or one.is_of_an_operator]
        self._routes = [one for one in self._routes if one.permissions]

    def probes(self, count: int) -> Iterator[Probe]:
        for _number in range(count):
            route = self._random.choice(self._routes)
            yield self._probe(route, self._random.choice(list(route.permissions)))

    def _probe(self, route: Route, method: str) -> Probe:
        asking = self._ground.full if route.is_api else self._ground.pages
        caller = self._random.choice(asking.callers if route.is_api else asking.visitors)
        said: list[str] = []
        values = {part: self._value(route, part, said) for part in route.parts}
        if not route.is_api:
            values["slug"] = self._random.choice(
                (asking.slug, asking.slug, asking.slug, self._ground.whole.slug)
            )
            said.append(values["slug"])
        query = {self._random.choice(NAMES): self._any(said)} if self._random.random() < IN_QUERY else {}
        headers = {self._random.choice(HEADERS): self._any(said)} if self._random.random() < IN_HEADER else {}
        if caller.is_program and method == "POST":
            headers[KEY_HEADER] = f'"{uuid4()}"'
        body = self._body(route, method, said)
        kind = "application/json" if route.is_api else FORM
        ask = Ask(method, route.path(values), tuple(said), query, body, kind, headers)
        twin = self._elsewhere(ask) if method == "GET" else None
        return Probe(route.name, "at random", caller, ask, twin, None)

    def _value(self, route: Route, part: str, said: list[str]) -> str:
        right = self._ground.rival_of(route).place(route, part)
        value = (
            right
            if right is not None and self._random.random() < RIGHT_KIND
            else self._random.choice(self._ids)
        )
        said.append(value)
        return value

    def _any(self, said: list[str]) -> str:
        said.append(self._random.choice((self._random.choice(self._ids), *self._ground.slugs)))
        return said[-1]

    def _body(self, route: Route, method: str, said: list[str]) -> Any:
        if method == "GET":
            return None
        if not route.is_api:
            return {self._random.choice(NAMES): self._any(said)}
        operation = operation_at(route, method)
        good = self._ground.full.body(operation) if operation else None
        if not isinstance(good, dict | list) or self._random.random() > IN_BODY:
            return {"id": self._any(said)}
        body = copy.deepcopy(good)
        leaves = list(_places(body))
        if leaves:
            holder, name = self._random.choice(leaves)
            holder[name] = self._any(said)
        return body

    def _elsewhere(self, ask: Ask) -> Ask:
        """The same request with what nobody has in the place of each value of a rival's."""
        theirs = self._ground.tags
        swapped = {value: nobody_has(value) if value in theirs else value for value in ask.values}

        def swap(text: str) -> str:
            for value, other in swapped.items():
                text = text.replace(value, other)
            return text

        return Ask(
            ask.method,
            swap(ask.path),
            tuple(swapped.values()),
            {name: swap(value) for name, value in ask.query.items()},
            ask.body,
            ask.kind,
            {name: swap(value) for name, value in ask.headers.items()},
        )


def _places(node: Any) -> Iterator[tuple[Any, Any]]:
    """Where texts stand in a body: what holds each, and by which name or number."""
    for name, inner in node.items() if isinstance(node, dict) else enumerate(node):
        if isinstance(inner, dict | list):
            yield from _places(inner)
        elif isinstance(inner, str):
            yield node, name
