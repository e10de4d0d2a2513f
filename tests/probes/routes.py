"""Which doors there are: every route of the URL configuration with its methods, and the operations that the API describes."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any
from urllib.parse import quote

from django.urls import URLPattern, URLResolver, get_resolver
from django.urls.resolvers import RegexPattern

from accounts.permissions import Permission
from config.schema.view import document

API = "api/v1/"
DESCRIBED = ("get", "put", "post", "patch", "delete")
# Not described by itself: it is the description.
NOT_DESCRIBED = {"/api/v1/schema"}
_PART = re.compile(r"<(?:(\w+):)?(\w+)>")
_REGEX_PART = re.compile(r"\(\?P<(\w+)>[^)]*\)")
# Whoever asks by a link or without any credential: no operator's page, and so none that declares its permission.
OPEN_METHODS = ("GET", "POST")


@dataclass(frozen=True)
class Route:
    """An address, the names of its parts, and what each method needs; ``permissions`` is empty where anybody may ask."""

    name: str
    address: str
    parts: tuple[str, ...]
    permissions: Mapping[str, Permission]

    @property
    def is_api(self) -> bool:
        return self.address.startswith(API)

    @property
    def is_open(self) -> bool:
        return not self.permissions

    @property
    def is_of_an_operator(self) -> bool:
        """A page under an operator's own address."""
        return self.address.startswith("<slug:slug>/")

    @property
    def methods(self) -> tuple[str, ...]:
        return tuple(self.permissions) or OPEN_METHODS

    def key_of(self, part: str) -> str:
        """The word before a part and its name, such as ``sites/code``."""
        before = self.address.split(f"{part}>", 1)[0].rsplit("<", 1)[0]
        return f"{before.rstrip('/').rsplit('/', 1)[-1]}/{part}"

    def path(self, values: Mapping[str, str]) -> str:
        """The address with a value in the place of each part."""
        return "/" + _PART.sub(lambda found: quote(values[found[2]], safe="/"), self.address)


@cache
def all_routes() -> tuple[Route, ...]:
    return tuple(_walk(get_resolver().url_patterns, ""))


def _walk(patterns: Any, prefix: str) -> Iterator[Route]:
    for entry in patterns:
        here = prefix + _address(entry)
        if isinstance(entry, URLResolver):
            yield from _walk(entry.url_patterns, here)
        else:
            yield _route(here, entry)


def _address(entry: URLPattern | URLResolver) -> str:
    """As ``path`` writes it, also where it is a regular expression: the first of each choice of letters."""
    if not isinstance(entry.pattern, RegexPattern):
        return str(entry.pattern)
    text = _REGEX_PART.sub(r"<str:\1>", str(entry.pattern).removeprefix("^").removesuffix("$"))
    return re.sub(r"\[(\w)\w*\]", r"\1", text)


def _route(address: str, entry: URLPattern) -> Route:
    parts = tuple(name for _kind, name in _PART.findall(address))
    view: Any = entry.callback
    permission = getattr(view, "permission", None)
    if permission is not None:
        permissions = {method: permission for method in view.methods if method != "HEAD"}
    else:
        permissions = dict(getattr(getattr(view, "view_class", None), "permissions", {}))
    return Route(str(entry.name), address, parts, permissions)


@dataclass(frozen=True)
class Operation:
    """What the API's description says of one method at one address."""

    name: str
    route: Route
    method: str
    described: Mapping[str, Any]

    @property
    def parameters(self) -> tuple[Mapping[str, Any], ...]:
        """Those of the query, wherever the description keeps them."""
        known = document()["components"].get("parameters", {})
        found = (
            known.get(one.get("$ref", "").rpartition("/")[2], one)
            for one in self.described.get("parameters", ())
        )
        return tuple(one for one in found if one["in"] == "query")

    @property
    def query(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """The names and schemas of the query parameters."""
        return tuple((one["name"], one.get("schema", {})) for one in self.parameters)


@cache
def operations() -> tuple[Operation, ...]:
    routes = {_described_as(route): route for route in all_routes() if route.is_api}
    return tuple(
        Operation(one["operationId"], routes[path], method.upper(), one)
        for path, item in document()["paths"].items()
        for method, one in item.items()
        if method in DESCRIBED and path in routes
    )


def _described_as(route: Route) -> str:
    return "/" + _PART.sub(r"{\2}", route.address)


def mismatches() -> list[str]:
    """What only one of the two knows: the URL configuration, or the API's description."""
    routed = {
        (method, _described_as(route))
        for route in all_routes()
        if route.is_api
        for method in route.permissions
    }
    described = {
        (method.upper(), path)
        for path, item in document()["paths"].items()
        for method in item
        if method in DESCRIBED and path not in NOT_DESCRIBED
    }
    return [
        *(f"{method} {path} is not described." for method, path in sorted(routed - described)),
        *(f"{method} {path} is not routed." for method, path in sorted(described - routed)),
    ]
