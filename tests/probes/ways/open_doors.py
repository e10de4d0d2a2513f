"""Doors that anybody may open: what they are asked with says nothing of a rival's, and a link opens its own record alone."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterator

from accounts.commands import clients
from accounts.permissions import PROGRAM_SCOPES, Permission
from tests.api.callers import Api
from tests.probes import places
from tests.probes.asking import FORM, Ask, Probe
from tests.probes.ground import Caller, Ground, nobody_has
from tests.probes.routes import Route

NOBODY: frozenset[Permission] = frozenset()


def anybody() -> Caller:
    return Caller("anybody", Api(raise_request_exception=False), NOBODY)


def open_doors(ground: Ground, route: Route) -> Iterator[Probe]:
    """Each method, by a stranger and by somebody of another operator, with a rival's words in its address and its query."""
    one, other = (_values(ground, route, is_absent=absent) for absent in (False, True))
    for caller in (anybody(), ground.signed_in_anew()):
        for method in route.methods:
            asks = []
            for values in (one, other):
                said = tuple(values.values())
                query = {"next": f"/{values['slug']}/", "operator": values["slug"]} if method == "GET" else {}
                body = {"next": f"/{values['slug']}/"} if method == "POST" else None
                parts = {part: values[part] for part in route.parts}
                asks.append(Ask(method, route.path(parts), said, query, body, FORM))
            yield Probe(route.name, "an open door", caller, asks[0], asks[1], None)


def _values(ground: Ground, route: Route, *, is_absent: bool) -> dict[str, str]:
    """One's own token, and a rival's ids beside it; the rival's name."""
    found = {"slug": ground.whole.slug}
    for part in route.parts:
        is_own = part in {"token", "form", "text"} and "code" not in route.parts
        of = ground.pages if is_own else ground.whole
        found[part] = of.place(route, part) or _token(ground, route, part)
    if not is_absent:
        return found
    kept = {"token", "form", "text"} | ({"code"} if route.name == "problem" else set())
    return {part: value if part in kept else nobody_has(value) for part, value in found.items()}


def _token(ground: Ground, route: Route, part: str) -> str:
    """The restroom's and the site's link of one's own; of signed links a forged one."""
    if part != "token":
        return places.SHARED.get(part, "not-found")
    key = "R/<str:token>:token" if route.address.startswith("R/") else "r/<str:token>:token"
    return ground.pages.ids[key] if route.address.lower().startswith("r/") else "forged:signature"


def oauth(ground: Ground) -> Iterator[Probe]:
    """A rival's client with a secret that is not its own, and a rival's token that is given back by another."""
    theirs, _ = clients.make_client(actor=ground.south.cast.owner, name="Probed", scopes=PROGRAM_SCOPES)
    mine, secret = clients.make_client(actor=ground.full.cast.owner, name="Prober", scopes=PROGRAM_SCOPES)
    token = ground.south.callers[-2].client.defaults["HTTP_AUTHORIZATION"].partition(" ")[2]
    asks = [
        (
            "token",
            [
                {"grant_type": "client_credentials", "client_id": one, "client_secret": secret}
                for one in (theirs.client_id, nobody_has(theirs.client_id))
            ],
            {},
        ),
        (
            "revoke-token",
            [{"token": one} for one in (token, nobody_has(token))],
            {"authorization": "Basic " + b64encode(f"{mine.client_id}:{secret}".encode()).decode()},
        ),
    ]
    for name, bodies, headers in asks:
        path = "/oauth/token" if name == "token" else "/oauth/revoke"
        said = [
            next(value for key, value in body.items() if key in {"client_id", "token"}) for body in bodies
        ]
        one, other = (
            Ask("POST", path, (value,), {}, body, FORM, headers)
            for value, body in zip(said, bodies, strict=True)
        )
        yield Probe(name, "a rival's program", anybody(), one, other, frozenset({200, 400, 401}))
