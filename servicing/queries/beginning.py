"""What a new operator does first, and how far it is: from the first site to the first visit."""

from __future__ import annotations

from dataclasses import dataclass

from accounts import queries as accounts
from fleet import queries as fleet
from servicing.models import UnitState, Visit

STEPS = ("site", "rooms", "supplies", "labels", "install", "visit")


@dataclass(frozen=True, slots=True)
class FirstSteps:
    """The steps that are done, by their names in ``STEPS``, and the code of the first site ("" without one)."""

    done: frozenset[str]
    site: str

    @property
    def left(self) -> int:
        return len(STEPS) - len(self.done)

    @property
    def next(self) -> str:
        """The first step that is not done; "" when all are."""
        return next((step for step in STEPS if step not in self.done), "")


def first_steps() -> FirstSteps:
    """Inside an open scope; each step is one look at a key."""
    site = accounts.sites().first()
    agreed = accounts.agreements().exists()
    has = {
        "site": site is not None and agreed,
        "rooms": fleet.station_rows().exists(),
        "supplies": fleet.cartridges().exists() and fleet.unit_models().exists(),
        "labels": fleet.units().exists(),
        "install": UnitState.objects.exclude(station_id=None).exists(),
        "visit": Visit.objects.exists(),
    }
    return FirstSteps(frozenset(step for step, done in has.items() if done), site.code if site else "")


def steps_left() -> int:
    """How many of the first steps are still to do."""
    return first_steps().left
