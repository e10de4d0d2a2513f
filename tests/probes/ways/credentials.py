"""No credential, a wrong, an old, a revoked one, and one of another kind: 401 at every door of the API, and never more."""

from __future__ import annotations

import base64
from collections.abc import Iterator, Sequence
from datetime import timedelta
from uuid import UUID, uuid4

from accounts import clock
from accounts.commands import clients, operators
from accounts.permissions import PROGRAM_SCOPES, Permission, Role
from tests.api.callers import Api, token_for
from tests.cast import NOON
from tests.probes.asking import FORM, Ask, Probe
from tests.probes.ground import Caller, Ground, Operator
from tests.probes.routes import Route
from tests.probes.ways.addresses import ABSENT, SENT_AWAY, request, values_in

NOBODY: frozenset[Permission] = frozenset()
NOT_SIGNED_IN = frozenset({401})
LONG_AGO = NOON - timedelta(days=2)


def strangers(of: Operator) -> list[Caller]:
    """Everybody at the API who has nothing that is good, by what they send; all of it once belonged to ``of``."""
    sent = {"nothing": None, **_tokens(of), **_of_another_kind(of)}
    return [_caller(name, value) for name, value in sent.items()]


def _caller(name: str, authorization: str | None) -> Caller:
    headers = {"authorization": authorization} if authorization is not None else {}
    return Caller(name, Api(headers=headers, raise_request_exception=False), NOBODY)


def _tokens(of: Operator) -> dict[str, str]:
    cast, owner = of.cast, of.cast.owner
    revoked, gone = operators.register_device(actor=owner, crew_id=cast.crew.id, label="Lost")
    operators.revoke_device(actor=owner, device_id=revoked.id)
    with clock.playing(LONG_AGO):
        _, lent = operators.register_device(
            actor=owner, crew_id=cast.crew.id, label="Lent", expires_at=LONG_AGO + timedelta(hours=1)
        )
        kept, secret = clients.make_client(actor=owner, name=f"Slow {uuid4()}", scopes=PROGRAM_SCOPES)
        old = token_for(kept.client_id, secret)
    ended, its_secret = clients.make_client(actor=owner, name=f"Ended {uuid4()}", scopes=PROGRAM_SCOPES)
    of_ended = token_for(ended.client_id, its_secret)
    clients.revoke_client(actor=owner, client_uuid=UUID(str(ended.uuid)))
    return {
        "garbage": "Bearer \u00ff\u00fe garbage",
        "an unknown phone": "Bearer wr_" + "x" * 43,
        "an unknown program": f"Bearer {clients.TOKEN}" + "x" * 43,
        "a revoked phone": f"Bearer {gone}",
        "an expired phone": f"Bearer {lent}",
        "an expired program": f"Bearer {old}",
        "a revoked program": f"Bearer {of_ended}",
        "a phone as a program": f"Bearer {clients.TOKEN}{cast.phone_token.partition('_')[2]}",
        "a secret as a token": f"Bearer {secret}",
        "a token as Basic": "Basic " + base64.b64encode(f":{cast.phone_token}".encode()).decode(),
    }


def _of_another_kind(of: Operator) -> dict[str, str]:
    client = Api()
    client.force_login(of.cast.users[Role.OWNER])
    session = next(iter(client.cookies.values())).value
    return {
        "a session as a token": f"Bearer {session}",
        "a person's id as a token": f"Bearer {of.cast.users[Role.OWNER].id}",
        "an operator's name as a token": f"Bearer {of.slug}",
    }


def unknown_callers(ground: Ground, route: Route, method: str, callers: Sequence[Caller]) -> Iterator[Probe]:
    """Whoever proves nothing gets the same whether something is there or not."""
    theirs = values_in(route, ground.rival_of(route))
    if theirs is None:
        return
    for caller in callers:
        one = request(ground, route, method, caller, theirs)
        yield Probe(route.name, "without a good credential", caller, one, None, NOT_SIGNED_IN)


def unknown_visitors(ground: Ground, route: Route, method: str, callers: Sequence[Caller]) -> Iterator[Probe]:
    """Pages send them to the sign-in, whether there is such an operator or not; a bearer token opens no page."""
    theirs = values_in(route, ground.whole)
    if theirs is None:
        return
    other = {**theirs, "slug": "no-such-operator"}
    for caller in callers:
        one, twin = (
            Ask(method, route.path(values), tuple(values.values()), kind=FORM) for values in (theirs, other)
        )
        yield Probe(route.name, "without a good credential", caller, one, twin, SENT_AWAY)


def members_no_more(ground: Ground) -> list[Caller]:
    """A person who is a member of nothing, and names an operator all the same."""
    person = operators.create_user(
        email=f"nobody-{uuid4().hex}@{ground.full.slug}.example",
        name="Nobody",
        password="a long enough phrase",
    )
    found = []
    for name, slug in (("a stranger", ground.full.slug), ("a stranger to a rival", ground.south.slug)):
        client = Api(headers={"wickround-operator": slug}, raise_request_exception=False)
        client.force_login(person)
        found.append(Caller(name, client, NOBODY))
    support = ground.pages.visitors[-1]
    headers = {"wickround-operator": ground.pages.slug}
    client = Api(headers=headers, raise_request_exception=False)
    client.cookies = support.client.cookies
    return [*found, Caller("support at the API", client, NOBODY)]


def no_members(ground: Ground, route: Route, method: str, callers: Sequence[Caller]) -> Iterator[Probe]:
    theirs = values_in(route, ground.rival_of(route))
    if theirs is None:
        return
    for caller in callers:
        one = request(ground, route, method, caller, theirs)
        yield Probe(route.name, "a member of nothing", caller, one, None, ABSENT)
