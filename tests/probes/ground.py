"""Where probes are made: two rivals in whom much has happened, and an operator whose people, phones and programs ask.

The rivals' codes, names and numbers are marked, so that one of them in an answer is seen at once. ``full`` has as much of
its own; ``bare`` has little, and is asked where a word such as a month or a code of prices would be everybody's.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any
from uuid import UUID, uuid4

from django.conf import settings

from accounts import clock
from accounts.commands import clients
from accounts.commands.support import HOURS, grant_support, make_support_person
from accounts.models import User
from accounts.permissions import PROGRAM_SCOPES, ROLE_PERMISSIONS, SUPPORT_MAY, Permission, Role
from accounts.queries.second_factor import PROVEN
from billing.commands.parties import add_purchase_orders
from servicing.commands.entries import set_code
from tests.api.callers import Api, bearer, live, phone_of, token_for
from tests.api.calls import BODIES, Setting
from tests.browser.whole_world import World, whole_world
from tests.cast import NOON, PASSWORD, Cast, new_cast
from tests.probes import places
from tests.probes.routes import Operation, Route
from tests.probes.rows import Rows

MARK = "Qzx7"
NARROW = Permission.SITES_READ
# Of the rivals' numbers of invoices and credit notes, which are never their own first ones.
FIRST_NUMBER = 700_001
_DAY = re.compile(r"\d{4}-\d\d(-\d\d)?\Z")


@dataclass(frozen=True)
class Caller:
    """Who asks, and what they may do by the tables of roles and scopes."""

    name: str
    client: Api
    rights: frozenset[Permission]
    # A program sends a key with what it must not do twice.
    is_program: bool = False
    # A person of the service, whom an owner lets look.
    only_looks: bool = False

    def may(self, permission: Permission, method: str) -> bool:
        return permission in self.rights and (not self.only_looks or method == "GET")


@dataclass
class Operator:
    """One operator of the ground: its cast, the ids of one row of each kind, and who asks for it at the API and at pages."""

    cast: Cast
    ids: dict[str, str]
    rows: Rows
    callers: list[Caller] = field(default_factory=list)
    visitors: list[Caller] = field(default_factory=list)
    bodies: dict[str, Any] = field(default_factory=dict)
    values: dict[tuple[str, str], str | None] = field(default_factory=dict)

    @property
    def slug(self) -> str:
        return str(self.cast.operator.slug)

    @property
    def owner(self) -> Caller:
        return self.callers[0]

    @property
    def visitor(self) -> Caller:
        """The owner at the pages."""
        return self.visitors[0]

    def place(self, route: Route, part: str) -> str | None:
        """What stands in a part of an address when it is about this operator's own."""
        if route.is_api:
            return self.ids.get(part)
        if part == "slug":
            return self.slug
        if (route.name, part) not in self.values:
            self.values[route.name, part] = self._asked(route, part)
        return self.values[route.name, part]

    def _asked(self, route: Route, part: str) -> str | None:
        known = self.ids.get(f"{route.address}:{part}")
        asked = places.value_of(self.rows, self.cast.operator.id, route.name, route.key_of(part), part)
        return known or asked or places.SHARED.get(part)

    def body(self, operation: Operation) -> Any:
        """A good body for an operation, as this operator would send it; the same each time."""
        if operation.name not in self.bodies:
            made = BODIES.get(operation.name)
            setting = Setting(self.cast, self.owner.client, self.ids)
            self.bodies[operation.name] = made(setting) if made else None
        return self.bodies[operation.name]


@dataclass
class Ground:
    """``south`` lived at the API's doors and ``whole`` on pages; of both the rows and the words are known."""

    south: Operator
    whole: Operator
    full: Operator
    pages: Operator
    bare: Operator
    rows: Rows
    tags: set[str]
    # By page: what its form would send, as one's own pages say it.
    forms: dict[str, dict[str, str]] = field(default_factory=dict)

    @property
    def rivals(self) -> tuple[Operator, Operator]:
        return self.south, self.whole

    @property
    def slugs(self) -> tuple[str, ...]:
        return tuple(one.slug for one in self.rivals)

    def rival_of(self, route: Route) -> Operator:
        return self.south if route.is_api else self.whole

    def asking(self, route: Route, theirs: Mapping[str, str]) -> Operator:
        """Whose people ask: those with as much of their own, unless one of their own is called the same."""
        busy = self.full if route.is_api else self.pages
        own = {part: busy.place(route, part) for part in theirs if part != "slug"}
        return self.bare if any(own[part] == theirs[part] for part in own) else busy

    def signed_in_anew(self) -> Caller:
        """The owner at the pages by a session of its own: one of the doors ends it."""
        client = _session(self.pages.cast, Role.OWNER, with_header=False)
        return replace(self.pages.visitor, client=client)

    def forget(self) -> None:
        for one in (self.rows, self.south.rows, self.whole.rows):
            one.close()


@contextmanager
def made(superuser_url: str) -> Iterator[Ground]:
    """The ground, at the standing clock of the tests."""
    with clock.playing(NOON), _unlimited():
        ground = _ground(superuser_url)
        try:
            yield ground
        finally:
            ground.forget()


@contextmanager
def _unlimited() -> Iterator[None]:
    """What limits mean has tests of its own, and so has the second factor."""
    before = settings.RATE_LIMITS, settings.SECOND_FACTOR_NEEDED
    settings.RATE_LIMITS = dict.fromkeys(settings.RATE_LIMITS, (60_000_000, 1_000_000))
    settings.SECOND_FACTOR_NEEDED = False
    try:
        yield
    finally:
        settings.RATE_LIMITS, settings.SECOND_FACTOR_NEEDED = before


def _ground(superuser_url: str) -> Ground:
    south, whole = _rival(new_cast("south", mark=MARK)), _rival(new_cast("whole", mark=MARK))
    full, pages, bare = new_cast("full"), new_cast("pages"), new_cast("bare")
    rows = Rows(superuser_url, [south.operator.id, whole.operator.id])
    every = Rows(superuser_url, [one.operator.id for one in (full, pages, bare)])

    mine, theirs = _person_of_the_service(), _person_of_the_service()

    def operator(cast: Cast, ids: Mapping[str, Any]) -> Operator:
        helper = theirs if cast.mark else mine
        grant_support(actor=cast.owner, email=helper.email, hours=min(HOURS), reason="To see what they see")
        known = {name: str(value) for name, value in ids.items()}
        known = places.more_ids(every, cast.operator.id, known)
        return Operator(cast, known, every, _callers(cast), _visitors(cast, helper))

    ground = Ground(
        south=operator(south, live(south)),
        whole=operator(whole, _shared(whole_world(whole))),
        full=operator(full, live(full)),
        pages=operator(pages, _shared(whole_world(pages))),
        bare=operator(bare, {**_few(bare)}),
        rows=rows,
        tags=set(),
    )
    ground.tags |= _tags(rows, every, ground)
    return ground


def _person_of_the_service() -> User:
    number = uuid4().hex[:10]
    return make_support_person(
        email=f"help-{number}@service.example", name=f"Helper {number}", password=PASSWORD
    )


def _rival(cast: Cast) -> Cast:
    """Its invoices begin with a number of their own."""
    series = {"next_number": FIRST_NUMBER}
    for kind in ("invoice", "credit_note"):
        answer = _session(cast, Role.OWNER, with_header=True).send("number-series", {"kind": kind, **series})
        assert answer.status_code in {200, 201}, answer.content
    return cast


def _few(cast: Cast) -> dict[str, Any]:
    """What every cast has from its beginning, by the names that addresses use."""
    return {
        "agreement_id": cast.agreement.id,
        "crew_id": cast.crew.id,
        "customer_id": cast.customer.id,
        "device_id": cast.phone.id,
        "site_id": cast.site.id,
        "free_site_id": cast.site.id,
        "unit_id": cast.unit.id,
    }


def _shared(world: World) -> dict[str, str]:
    """By address and part: the tokens of the links to service records. The customer gets an order, the site a code."""
    order = {"customer_id": world.cast.customer.id, "number": "PO-1", "starts_on": date(2026, 5, 1)}
    add_purchase_orders(actor=world.cast.owner, orders=[order])
    set_code(actor=world.cast.dispatcher, site_id=world.cast.site.id, label="Key box", code="4711 north")
    return {
        "r/<str:token>:token": world.site_token,
        "R/<str:token>:token": world.restroom_token,
        "customer_token": world.customer_token,
    }


def _session(cast: Cast, role: Role, *, with_header: bool) -> Api:
    named = {"wickround-operator": cast.operator.slug} if with_header else {}
    client = Api(headers=named, raise_request_exception=False)
    client.force_login(cast.users[role])
    return client


def _callers(cast: Cast) -> list[Caller]:
    """Six people by their sessions, a phone, a program with every scope and one with a single one."""
    people = [Caller(role, _session(cast, role, with_header=True), ROLE_PERMISSIONS[role]) for role in Role]
    wide, narrow = (_program(cast, scopes) for scopes in (tuple(PROGRAM_SCOPES), (NARROW,)))
    phone = Caller("phone", phone_of(cast), ROLE_PERMISSIONS[Role.CREW_MEMBER])
    found = [*people, phone, wide, narrow]
    for one in found:
        one.client.raise_request_exception = False
    return found


def _program(cast: Cast, scopes: tuple[Permission, ...]) -> Caller:
    client, secret = clients.make_client(actor=cast.owner, name=f"Bridge {uuid4()}", scopes=scopes)
    name = "program" if len(scopes) > 1 else f"program of {scopes[0]}"
    return Caller(name, bearer(token_for(client.client_id, secret)), frozenset(scopes), is_program=True)


def _visitors(cast: Cast, helper: User) -> list[Caller]:
    people = [Caller(role, _session(cast, role, with_header=False), ROLE_PERMISSIONS[role]) for role in Role]
    return [*people, Caller("support", looking(helper), frozenset(SUPPORT_MAY), only_looks=True)]


def looking(helper: User, **headers: str) -> Api:
    """A person of the service who is signed in with a second factor."""
    client = Api(headers=headers, raise_request_exception=False)
    client.force_login(helper)
    session = client.session
    session[PROVEN] = clock.now().isoformat()
    session.save()
    return client


def _tags(rows: Rows, every: Rows, ground: Ground) -> set[str]:
    """Whatever only the rivals' rows say, and what they are called."""
    people = {user.email for one in ground.rivals for user in one.cast.users.values()}
    names = {str(one.cast.operator.id) for one in ground.rivals} | set(ground.slugs)
    return (rows.words() - every.words() - _texts_of_settings()) | people | names


def _texts_of_settings() -> set[str]:
    """Words of the product itself that rows happen to say."""
    return {json.dumps(permission.value)[1:-1] for permission in Permission}


def absent(values: Mapping[str, str], own: frozenset[str] = frozenset()) -> dict[str, str]:
    """For each value one of its kind that nobody has; those named in ``own`` stay."""
    return {name: value if name in own else nobody_has(value) for name, value in values.items()}


def nobody_has(value: str) -> str:
    """An id or word of the same form that nothing is called."""
    if _DAY.match(value):
        return f"2019{value[4:]}"
    try:
        UUID(value)
    except ValueError:
        # As long as the other, and of letters and digits where it has some: labels and codes are read alike.
        return "".join(_other(letter, at) for at, letter in enumerate(value))
    return str(uuid4())


def _other(letter: str, at: int) -> str:
    if letter.isdigit():
        return str((int(letter) + 3 + at) % 10)
    return "JKVWXZ"[(ord(letter) + at) % 6] if letter.isalpha() else letter
