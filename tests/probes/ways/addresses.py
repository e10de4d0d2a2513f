"""What is a rival's in the address: its ids and codes under one's own operator, and its own operator's name."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from uuid import uuid4

from tests.probes.asking import FORM, Ask, Probe
from tests.probes.ground import Caller, Ground, Operator, nobody_has
from tests.probes.routes import Operation, Route, operations

ABSENT, MAY_NOT, SENT_AWAY = frozenset({404}), frozenset({403}), frozenset({302})
OPERATOR_HEADER = "wickround-operator"
NO_OPERATOR = "no-such-operator"
METHODS = ("GET", "HEAD", "OPTIONS", "POST", "PUT", "PATCH", "DELETE", "TRACE")
OVERRIDING = dict.fromkeys(("x-http-method-override", "x-http-method", "x-method-override"), "DELETE")
# Programs must send a key with some of them, and the version they saw with others.
KEY_HEADER = "idempotency-key"


def values_in(route: Route, rival: Operator) -> dict[str, str] | None:
    """What is the rival's in each part of an address; None where a part has nothing of it yet."""
    found = {part: rival.place(route, part) for part in route.parts}
    return None if None in found.values() else {part: str(value) for part, value in found.items()}


def unmapped(routes: Sequence[Route], ground: Ground) -> list[str]:
    """Parts of addresses for which ``places`` knows no row of a rival's."""
    return sorted(
        f"{route.address}: {part}"
        for route in routes
        if route.is_api or route.is_of_an_operator
        for part in route.parts
        if ground.rival_of(route).place(route, part) is None
    )


def _asks(
    ground: Ground, route: Route, method: str, caller: Caller, where: tuple[str, str]
) -> tuple[Ask, Ask] | None:
    """The request with the rival's values, and with nobody's; ``where`` are the operator's names in each."""
    theirs = values_in(route, ground.rival_of(route))
    if theirs is None:
        return None
    nobodys = {part: nobody_has(value) for part, value in theirs.items()}
    if "slug" in theirs:
        theirs, nobodys = {**theirs, "slug": where[0]}, {**nobodys, "slug": where[1]}
    one, other = (request(ground, route, method, caller, values) for values in (theirs, nobodys))
    return one, other


def request(ground: Ground, route: Route, method: str, caller: Caller, values: dict[str, str]) -> Ask:
    """A request at an address, with the body that would be good for the asking operator's own."""
    said = tuple(value for part, value in values.items())
    if not route.is_api:
        form = ground.forms.get(route.name) if method == "POST" else None
        return Ask(method, route.path(values), said, body=form, kind=FORM)
    operation = operation_at(route, method)
    body = ground.full.body(operation) if operation and method != "GET" else None
    keyed = method == "POST" and caller.is_program
    headers = {KEY_HEADER: f'"{uuid4()}"'} if keyed else {}
    kind = _kind(body)
    query = _needed(operation) if operation else {}
    return Ask(method, route.path(values), said, query, body, kind, headers)


def operation_at(route: Route, method: str) -> Operation | None:
    return next((one for one in operations() if one.route == route and one.method == method), None)


def _kind(body: object) -> str:
    if isinstance(body, bytes):
        return "image/jpeg" if body.startswith(b"\xff\xd8") else "application/xml"
    return "application/json"


def _needed(operation: Operation) -> dict[str, str]:
    """The query that an operation can't be asked without."""
    known = {"month": "2026-05-01", "id": str(uuid4()), "taken_at": "2026-06-10T09:00:00Z"}
    return {
        one["name"]: known[one["name"]]
        for one in operation.parameters
        if one.get("required") and one["name"] in known
    }


def foreign_ids(ground: Ground, route: Route, method: str, callers: Sequence[str] = ()) -> Iterator[Probe]:
    """A rival's ids, codes and numbers in the address of one's own operator."""
    theirs = values_in(route, ground.rival_of(route))
    if theirs is None or not [part for part in route.parts if part != "slug"]:
        return
    asking = ground.asking(route, theirs)
    if _is_shared(route, theirs, asking):
        return
    for caller in asking.callers if route.is_api else asking.visitors:
        if callers and caller.name not in callers:
            continue
        both = _asks(ground, route, method, caller, (asking.slug, asking.slug))
        assert both is not None
        wanted = ABSENT if caller.may(route.permissions[method], method) else MAY_NOT
        yield Probe(route.name, "a rival's id in the address", caller, *both, wanted)


def _is_shared(route: Route, theirs: dict[str, str], asking: Operator) -> bool:
    """Whether every part is a word that is everybody's, so that nothing in the address is a rival's."""
    return all(asking.place(route, part) == value for part, value in theirs.items() if part != "slug")


def foreign_operator(
    ground: Ground, route: Route, method: str, callers: Sequence[str] = ()
) -> Iterator[Probe]:
    """A rival's own address, or its name in the header: 404 as for an operator that there is not."""
    if values_in(route, ground.rival_of(route)) is None:
        return
    asking, slug = (ground.full, ground.south.slug) if route.is_api else (ground.pages, ground.whole.slug)
    for caller in asking.callers[:6] if route.is_api else asking.visitors:
        if callers and caller.name not in callers:
            continue
        both = _asks(ground, route, method, caller, (slug, NO_OPERATOR))
        assert both is not None
        one, other = both
        if route.is_api:
            one, other = (
                Ask(
                    ask.method,
                    ask.path,
                    (*ask.values, name),
                    ask.query,
                    ask.body,
                    ask.kind,
                    {OPERATOR_HEADER: name},
                )
                for ask, name in ((one, slug), (other, NO_OPERATOR))
            )
        yield Probe(route.name, "a rival's operator", caller, one, other, ABSENT)


def own_without_the_right(
    ground: Ground, route: Route, method: str, callers: Sequence[str] = ()
) -> Iterator[Probe]:
    """One's own operator's doors, for whoever's role or scopes do not open them."""
    own = ground.full if route.is_api else ground.pages
    values = values_in(route, own)
    if values is None:
        return
    for caller in own.callers if route.is_api else own.visitors:
        if caller.may(route.permissions[method], method) or (callers and caller.name not in callers):
            continue
        ask = request(ground, route, method, caller, values)
        yield Probe(route.name, "without the right", caller, ask, None, MAY_NOT)


def other_methods(
    ground: Ground, route: Route, callers: Sequence[str], methods: Sequence[str] = METHODS
) -> Iterator[Probe]:
    """Methods that the door does not have, and those that stand for others."""
    theirs = values_in(route, ground.rival_of(route))
    if theirs is None:
        return
    asking = ground.asking(route, theirs)
    for caller in asking.callers if route.is_api else asking.visitors:
        if caller.name not in callers:
            continue
        slugs = (asking.slug, asking.slug) if route.is_api else (ground.whole.slug, NO_OPERATOR)
        for method in methods:
            if method not in route.permissions:
                both = _asks(ground, route, method, caller, slugs)
                assert both is not None
                # Whoever is refused before anything is looked at need not be asked for two things.
                twin = both[1] if method in {"HEAD", "OPTIONS"} else None
                yield Probe(route.name, "another method", caller, both[0], twin, _closed(method))
        for method in route.permissions if len(theirs) > ("slug" in theirs) else ():
            both = _asks(ground, route, method, caller, slugs)
            assert both is not None
            yield from _overriding(route, caller, both)


def _closed(method: str) -> frozenset[int] | None:
    """A head may be asked of whatever can be read: an address without a rival's part gives one's own."""
    if method == "HEAD":
        return None
    return frozenset({403, 404, 405})


def _overriding(route: Route, caller: Caller, both: tuple[Ask, Ask]) -> Iterator[Probe]:
    """Headers that ask for another method than the request's own."""
    one, other = (
        Ask(ask.method, ask.path, ask.values, ask.query, ask.body, ask.kind, {**ask.headers, **OVERRIDING})
        for ask in both
    )
    yield Probe(route.name, "a method in a header", caller, one, other, None)
