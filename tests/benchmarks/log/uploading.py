"""Uploads through the public commands, with their checks, hash, locks and fold, against COPY of as many rows.

Three ways in: a phone's uploads of 500, in slices of 100; visits of 31 events, each an upload of its own, as crews send
them; and a past that is loaded first and folded afterwards. The limit copies rows as text made beforehand into a twin
that grows with the log. Afterwards what is folded must be what the log gives.
"""

from __future__ import annotations

import resource
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any
from uuid import UUID

import psycopg

from accounts.commands import customers
from accounts.ids import uuid7
from fleet import commands as fleet_commands
from fleet.models import Station, Unit
from servicing.commands.rebuilds import check
from servicing.commands.uploads import fold_pending, load_events
from tests.benchmarks.log.batches import Phone, copy_text
from tests.benchmarks.log.twins import copy_into, make_twin
from tests.benchmarks.rounds import compared, interleave
from tests.cast import Cast, new_cast

ROUNDS = 3
TWIN = "log_twin_uploads"
COPY = "COPY of as many rows into a twin of the log"
STARTED = datetime(2025, 1, 6, 8, 0, tzinfo=UTC)
SITES, UNITS_A_SITE = 40, 10
VISIT = 3 * UNITS_A_SITE + 1  # each unit's three events, and the visit's own

# Of COPY, the whole command with its fold.
TARGETS = {"upload_500": 0.05, "upload_visits": 0.05, "load_and_fold": 0.05}

Event = dict[str, Any]


def run(servers: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 1,600 visits, 49,600 events, a round and side; else 80 visits."""
    visits = 1_600 if full else 80
    events = visits * VISIT
    worlds = {name: World(name.replace("_", "-")) for name in TARGETS}
    rounds = {name: {n: world.visits(visits) for n in range(-1, ROUNDS)} for name, world in worlds.items()}
    with psycopg.connect(servers.superuser_url, autocommit=True) as superuser:
        make_twin(superuser, TWIN)
        phone, positions = Phone(7), count(1)
        operator_id: UUID = worlds["upload_500"].cast.operator.id
        texts = {
            n: copy_text(operator_id, phone.events(events), positions=positions) for n in range(-1, ROUNDS)
        }
        speeds = interleave(
            {
                "COPY": lambda n: copy_into(superuser, TWIN, texts[n]),
                "upload_500": lambda n: worlds["upload_500"].upload_in(rounds["upload_500"][n], size=500),
                "upload_visits": lambda n: worlds["upload_visits"].upload(rounds["upload_visits"][n]),
                "load_and_fold": lambda n: worlds["load_and_fold"].load_and_fold(rounds["load_and_fold"][n]),
            },
            rounds=ROUNDS,
            count=events,
        )
    for name, target in TARGETS.items():
        assert not (wrong := check(worlds[name].cast.operator.id)), wrong[:3]
        line = compared(f"log.{name}", speeds[name], COPY, speeds["COPY"], target=target, n=events)
        yield {**line, "peak_rss_mib": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1)}


class World:
    """An operator with sites whose units are all installed, and a phone that goes from site to site."""

    def __init__(self, slug: str) -> None:
        self.cast: Cast = new_cast(slug, units=1)
        owner = self.cast.owner
        self.sites = customers.add_sites(
            actor=owner,
            sites=[
                {
                    "customer_id": self.cast.customer.id,
                    "code": f"W{n}",
                    "name": f"Site {n}",
                    "kind": "school",
                    "zone": "Europe/Berlin",
                    "crew_id": self.cast.crew.id,
                }
                for n in range(SITES)
            ],
        )
        customers.add_agreements(
            actor=owner,
            agreements=[
                {
                    "site_id": site.id,
                    "number": f"W{n}",
                    "anchor_on": STARTED.date(),
                    "starts_on": STARTED.date(),
                }
                for n, site in enumerate(self.sites)
            ],
        )
        rooms = fleet_commands.add_restrooms(
            actor=owner, restrooms=[{"site_id": site.id, "name": "Ground floor"} for site in self.sites]
        )
        stations = fleet_commands.add_stations(
            actor=owner,
            stations=[
                {"restroom_id": room.id, "name": f"{n}", "fixture": "urinal"}
                for room in rooms
                for n in range(UNITS_A_SITE)
            ],
        )
        self.units = fleet_commands.print_labels(
            actor=owner, unit_model_id=self.cast.unit.unit_model_id, count=len(stations)
        )
        self.made = count()
        for site in range(SITES):
            self._install(site, stations)

    def _install(self, site: int, stations: Sequence[Station]) -> None:
        places = range(site * UNITS_A_SITE, (site + 1) * UNITS_A_SITE)
        self.upload(
            [
                [
                    self.cast.event(
                        "unit.installed",
                        self.units[n],
                        STARTED + timedelta(seconds=n),
                        station_id=stations[n].id,
                        cartridge_id=self.cast.cartridge.id,
                        charge_ml=280,
                        wick="new",
                    )
                    for n in places
                ]
            ]
        )

    def visits(self, number: int) -> list[list[Event]]:
        return [self._visit(next(self.made)) for _ in range(number)]

    def _visit(self, number: int) -> list[Event]:
        """The n-th visit: the sites in turn, a day after the other."""
        turn, site = divmod(number, SITES)
        began_at = STARTED + timedelta(days=1 + turn, hours=1, minutes=10 * site)
        visit_id = str(uuid7(began_at))
        events: list[Event] = []
        for n in range(UNITS_A_SITE):
            events += self._touch(
                self.units[site * UNITS_A_SITE + n], began_at + timedelta(minutes=3 * n), visit_id
            )
        made = self.cast.event(
            "visit.made",
            UUID(visit_id),
            began_at + timedelta(minutes=40),
            site_id=self.sites[site].id,
            crew_id=self.cast.crew.id,
            outcome="served",
            minutes=40,
        )
        return [*events, made]

    def _touch(self, unit: Unit, at: datetime, visit_id: str) -> list[Event]:
        touch = {"visit": visit_id, "touch": str(uuid7(at))}
        return [
            self.cast.exchanged(unit, at, **touch),
            self.cast.event("wick.checked", unit, at + timedelta(seconds=20), condition="good", **touch),
            self.cast.event(
                "level.read",
                unit,
                at + timedelta(seconds=40),
                cartridge_left_ml=280,
                reservoir_ml=20,
                **touch,
            ),
        ]

    def upload_in(self, visits: Sequence[list[Event]], *, size: int) -> None:
        events = [event for visit in visits for event in visit]
        self.upload([events[start : start + size] for start in range(0, len(events), size)])

    def upload(self, uploads: Sequence[list[Event]]) -> None:
        for events in uploads:
            assert {fate.fate for fate in self.cast.upload(*events)} == {"accepted"}

    def load(self, uploads: Sequence[list[Event]]) -> None:
        for events in uploads:
            fates = load_events(actor=self.cast.crew_phone, events=events)
            assert {fate.fate for fate in fates} == {"accepted"}

    def load_and_fold(self, uploads: Sequence[list[Event]]) -> None:
        self.load(uploads)
        assert fold_pending(actor=self.cast.owner) == sum(map(len, uploads))
