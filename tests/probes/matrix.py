"""All ways at all doors: what is asked in which order, and the figures of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

from tests.probes.asking import Probe
from tests.probes.ground import Caller, Ground, Operator
from tests.probes.judging import Finding, Judge, is_replayed
from tests.probes.routes import Route, all_routes, mismatches, operations
from tests.probes.ways import addresses, at_random, bodies, credentials, forms, keys, lists, open_doors

T = TypeVar("T")
OWNER = ("owner",)
SOME = ("owner", "viewer", "phone")
WRITERS = ("owner", "program")
# A page asks whoever has no session to sign in, whatever else they bring along.
AT_PAGES = {"nothing", "a revoked phone", "a session as a token"}
GOOD = frozenset({200, 201, 204, 302, 303})


@dataclass
class Matrix:
    """One run. ``is_whole``: every caller at every door; else the few that differ most."""

    ground: Ground
    is_whole: bool = False
    judge: Judge = field(init=False)
    dead: list[str] = field(default_factory=list)
    _turn: int = 0

    def __post_init__(self) -> None:
        self.judge = Judge(self.ground)
        self.routes = [one for one in all_routes() if one.permissions]

    def run(self) -> None:
        """Everything but what a rival does itself."""
        self.on_pages()
        self.by_address()
        self.by_credential()
        self.by_list()
        self.at_open_doors()
        self.by_body()

    def _few(self, callers: Sequence[T], most: int) -> tuple[T, ...]:
        """All of them in a whole run; else a few, others at each door, so that everybody is at work."""
        if self.is_whole or most >= len(callers):
            return tuple(callers)
        self._turn += most
        return tuple(callers[(self._turn + number) % len(callers)] for number in range(most))

    def by_address(self) -> None:
        for route in self.routes:
            self.judge.ask_all(route.name, self._at(route))

    def _at(self, route: Route) -> Iterator[Probe]:
        everybody = self.ground.full.callers if route.is_api else self.ground.pages.visitors
        for method in route.permissions:
            few = [one.name for one in self._few(everybody, 3)]
            one = few if self.is_whole else few[:1]
            yield from addresses.foreign_ids(self.ground, route, method, [*OWNER, *few])
            yield from addresses.foreign_operator(self.ground, route, method, one)
            yield from addresses.own_without_the_right(self.ground, route, method, few)
        methods = self._few(addresses.METHODS, 2)
        yield from addresses.other_methods(self.ground, route, SOME if self.is_whole else OWNER, methods)

    def by_credential(self) -> None:
        strangers = credentials.strangers(self.ground.full)
        nobody = credentials.members_no_more(self.ground)
        visitors = [one for one in strangers if one.name in AT_PAGES]
        for route in self.routes:
            self.judge.ask_all(
                route.name, self._without(route, strangers if route.is_api else visitors, nobody)
            )

    def _without(
        self, route: Route, strangers: Sequence[Caller], nobody: Sequence[Caller]
    ) -> Iterator[Probe]:
        for method in route.permissions:
            if route.is_api:
                yield from credentials.unknown_callers(self.ground, route, method, self._few(strangers, 2))
                yield from credentials.no_members(self.ground, route, method, self._few(nobody, 1))
            else:
                yield from credentials.unknown_visitors(self.ground, route, method, self._few(strangers, 1))

    def by_body(self) -> None:
        for operation in operations():
            self.judge.ask_all(operation.name, bodies.foreign_references(self.ground, operation, WRITERS))

    def by_made_up_ids(self) -> None:
        """Ids that whoever sends makes up: afterwards rows of one's own are called as a rival's."""
        for operation in operations():
            self.judge.ask_all(operation.name, bodies.made_up(self.ground, operation, WRITERS))
        for caller in self.ground.full.callers:
            if caller.name in {"owner", "phone", "program"}:
                self.judge.ask_all("upload_service_events", bodies.foreign_events(self.ground, caller))
                self.judge.ask_all("keep_photo", bodies.foreign_photos(self.ground, caller))

    def by_list(self) -> None:
        few = ("owner", "viewer", "phone", "program") if self.is_whole else ("owner", "program")
        for operation in operations():
            if operation.method == "GET":
                self.judge.ask_all(operation.name, lists.foreign_filters(self.ground, operation, few))
                cursors = list(lists.foreign_cursors(self.ground, operation, few))
                self.judge.ask_all(operation.name, cursors)
                self.judge.ask_all(operation.name, lists.own_lists(self.ground, operation, few))

    def on_pages(self) -> None:
        for said in forms.said_on_pages(self.ground):
            self.judge.ask_all(said.route, forms.foreign_fields(self.ground, said))

    def at_open_doors(self) -> None:
        for route in all_routes():
            if route.is_open:
                self.judge.ask_all(route.name, open_doors.open_doors(self.ground, route))
        programs = list(open_doors.oauth(self.ground))
        self.judge.look_anew()
        self.judge.ask_all("oauth", programs)

    def at_random(self, count: int, seed: int) -> None:
        dice, left = at_random.Dice(self.ground, seed), count
        while left > 0:
            self.judge.ask_all(f"at random, seed {seed}", dice.probes(min(left, 500)))
            left -= 500

    def by_the_rival_itself(self) -> None:
        """Shows that there was something to be found; what the rival sent is then sent by others with its keys."""
        for route in self.routes:
            if "GET" in route.permissions:
                self._read_by_rival(route)
        sent, failed = keys.every_call(self.ground)
        self.dead += failed
        self.judge.look_anew()
        self.judge.ask_all("keys", keys.foreign_keys(self.ground, sent))
        for probe in keys.colleagues_keys(self.ground, sent):
            self._by_a_colleague(probe)

    def _read_by_rival(self, route: Route) -> None:
        rival = self.ground.rival_of(route)
        values = addresses.values_in(route, rival)
        if values is None:
            return
        caller = rival.owner if route.is_api else rival.visitor
        ask = addresses.request(self.ground, route, "GET", caller, values)
        seen = replace(ask, query={**ask.query, **_asked_with(route, rival)}).send(caller)
        if seen.status not in GOOD:
            self.dead.append(f"GET {route.path(values)}: {seen.status}")

    def _by_a_colleague(self, probe: Probe) -> None:
        """A colleague may read the same words, and do the same again; but gets no answer that was kept."""
        self.judge.ways[probe.way] += 1
        if is_replayed(probe.ask.send(probe.caller)):
            self.judge.findings.append(Finding(probe.name, "gave a kept answer to a colleague"))

    def uncovered(self) -> list[str]:
        """Doors and methods that no probe asked."""
        asked = self.judge.covered
        named = {one.name: one.route.name for one in operations()}
        asked |= {(named[name], method) for name, method in asked if name in named}
        return sorted(
            f"{method} /{route.address}"
            for route in all_routes()
            for method in route.methods
            if (route.name, method) not in asked
        )

    def unreached(self) -> list[str]:
        """Fields of bodies whose rival's row was never looked up, since something else was refused before."""
        return sorted(self.judge.tried - self.judge.reached)

    def figures(self) -> dict[str, Any]:
        judge = self.judge
        doors = sum(len(route.methods) for route in all_routes())
        uncovered = self.uncovered()
        return {
            "routes": len(all_routes()),
            "doors": doors,
            "callers": len(judge.callers),
            "ways": dict(sorted(judge.ways.items())),
            "probes": judge.probes,
            "leaks": len(judge.findings),
            "changed_rows": len(judge.changed),
            "tables_watched": self.ground.rows.tables,
            "words_watched": len(self.ground.tags),
            "coverage": round(1 - len(uncovered) / doors, 4),
            "not_probed": uncovered,
            "not_described": mismatches(),
            "unknown_parts": addresses.unmapped(self.routes, self.ground),
            "unknown_kinds": bodies.unknown_kinds(self.ground),
            "not_looked_up": self.unreached(),
            "dead": self.dead,
        }


def _asked_with(route: Route, rival: Operator) -> Mapping[str, str]:
    """What some pages show nothing without."""
    needed = {
        "label-sheet": {"code": rival.cast.unit.code},
        "new-contract": {"customer": rival.cast.customer.code},
    }
    return needed.get(route.name, {})


def shown(found: list[Finding], most: int = 20) -> list[str]:
    return [f"{one.probe}: {one.what}" for one in found[:most]]
