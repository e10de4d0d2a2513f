"""What a crew writes down: it sees a unit, rounds what it reads by eye, and records what it did."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from demo_tenant.masterdata import MasterData, StationPlan, UnitPlan
from demo_tenant.records import Record
from demo_tenant.streams import Stream
from demo_tenant.world import CARTRIDGE_ML, DAY, Seen, TrueUnit

WICK_LIMIT = 540 * DAY
CLEAN_EVERY = 182 * DAY
CHECK_WRITTEN_DOWN = 0.8
UNREAD = 0.06
WASHED_WHEN_SLOW = 0.5
SPILLED = 0.35
STEP = timedelta(seconds=9)


@dataclass(slots=True)
class Fitted:
    """A unit on the wall: its inside, and what the crews know of it. ``hand`` draws for the people who touch it."""

    unit: UnitPlan
    station: StationPlan
    place: int
    truth: TrueUnit
    hand: Stream
    cartridge_id: UUID
    wick_since: datetime
    cleaned_at: datetime
    touched_at: datetime
    plug_known: bool = False
    touches: int = 0


@dataclass(slots=True)
class VisitBook:
    """Writes the events of one visit in the order they are made; ``stream`` draws their ids.

    ``watch`` is called with each touch when it is finished: whoever judges forecasts sees the inside there.
    """

    master: MasterData
    crew: int
    site_id: UUID
    visit_id: UUID
    stream: Stream
    records: list[Record] = field(default_factory=list)
    watch: Watch | None = None

    def write(
        self,
        kind: str,
        subject: tuple[str, UUID],
        at: datetime,
        payload: dict[str, Any],
        touch_id: UUID | None = None,
    ) -> Record:
        """Append one event; ``subject`` is its kind and id."""
        record = Record(
            id=self.stream.uuid7(at),
            type=kind,
            subject_kind=subject[0],
            subject_id=subject[1],
            occurred_at=at,
            made_at=at,
            payload=payload,
            crew=self.crew,
            member_id=self.master.crews[self.crew].member_id,
            visit_id=self.visit_id,
            touch_id=touch_id,
        )
        self.records.append(record)
        return record

    def close(self, at: datetime, kind: str, **payload: Any) -> None:
        """The visit's own event: made, not admitted or called off."""
        crew_id = str(self.master.crews[self.crew].id)
        body = {"site_id": str(self.site_id), **payload, "crew_id": crew_id}
        self.write(kind, ("visit", self.visit_id), at, body)


class Touch:
    """One unit handled in a visit, from the first look to the last entry."""

    def __init__(self, book: VisitBook, fitted: Fitted, at: datetime) -> None:
        self.book = book
        self.fitted = fitted
        self.at = at
        self.id = book.stream.uuid7(at)
        self.exchanged: Record | None = None
        self.wick_changed = False
        fitted.truth.advance(at)
        self.seen: Seen = fitted.truth.look()

    def note(self, kind: str, **payload: Any) -> Record:
        """Write one event of the unit; each comes some seconds after the last."""
        self.at += STEP
        return self.book.write(kind, ("unit", self.fitted.unit.id), self.at, payload, self.id)

    def repair(self, detection: str) -> None:
        """Clear what is plugged and stop what leaks."""
        fitted, truth = self.fitted, self.fitted.truth
        if not self.seen.drips:
            if not fitted.plug_known:
                self.note("fault.found", mode="PLU", detection=detection)
            cured = truth.clear_outlet()
            self.note("outlet.cleared", drips_again=cured)
            if cured:
                self.note("fault.closed", mode="PLU", action="cleaned")
            fitted.plug_known = not cured
        if self.seen.leaks:
            self.note("fault.found", mode="ELU", detection=detection)
            self.note("leak.stopped")
            self._mop_up()
            truth.stop_leak()
            self.note("fault.closed", mode="ELU", action="repaired")

    def _mop_up(self) -> None:
        """A leak that ran down to the floor is a spill of the site's."""
        hand = self.fitted.hand
        if hand.chance(SPILLED):
            spill = {"volume_ml": 5 * hand.whole(1, 24), "surface": "floor", "action": "absorbed"}
            self.at += STEP
            self.book.write("spill.logged", ("site", self.book.site_id), self.at, spill, self.id)

    def look_after_wick(self) -> None:
        """Check the wick; change one that failed or is too old, wash a slow one now and then."""
        fitted = self.fitted
        too_old = self.at - fitted.wick_since >= WICK_LIMIT
        if self.seen.wick != "good" or too_old or fitted.hand.chance(CHECK_WRITTEN_DOWN):
            self.note("wick.checked", condition=self.seen.wick)
        if self.seen.wick == "failed" or too_old:
            self.note("wick.changed", reason="failed" if self.seen.wick == "failed" else "age")
            fitted.truth.change_wick()
            fitted.wick_since = self.at
            self.wick_changed = True
        elif self.seen.wick == "slow" and fitted.hand.chance(WASHED_WHEN_SLOW):
            self.note("wick.washed")

    def exchange(self, lot: str) -> None:
        """Read what is left, wipe the reservoir when it is time, and put a full cartridge in."""
        fitted, seen = self.fitted, self.seen
        wipes = self.at - fitted.cleaned_at >= CLEAN_EVERY
        if wipes:
            self.note("reservoir.cleaned", wiped_out_ml=eyeball(seen.reservoir_ml, 5, fitted.hand))
            fitted.cleaned_at = self.at
        payload: dict[str, Any] = {"cartridge_id": str(fitted.cartridge_id), "charge_ml": round(CARTRIDGE_ML)}
        if not fitted.hand.chance(UNREAD):
            payload["cartridge_left_ml"] = eyeball(seen.cartridge_ml, 10, fitted.hand)
            # What was wiped out is written down already, so the new cartridge finds an empty reservoir.
            in_reservoir = 0 if wipes else eyeball(seen.reservoir_ml, 5, fitted.hand)
            payload["reservoir_before_ml"] = payload["reservoir_after_ml"] = in_reservoir
        self.exchanged = self.note("cartridge.exchanged", **payload, lot=lot)
        fitted.truth.exchange(wiped=wipes)

    def read_level(self) -> None:
        self.note(
            "level.read",
            cartridge_left_ml=eyeball(self.seen.cartridge_ml, 10, self.fitted.hand),
            reservoir_ml=eyeball(self.seen.reservoir_ml, 5, self.fitted.hand),
        )

    def finish(self) -> None:
        self.fitted.touched_at = self.at
        self.fitted.touches += 1
        if self.book.watch is not None:
            self.book.watch(self)


Watch = Callable[[Touch], None]


def eyeball(true_ml: float, step_ml: int, hand: Stream) -> int:
    """A volume as read by eye: off by some of a step, then rounded to it; an empty vessel is seen as empty."""
    guess = true_ml + 0.4 * step_ml * hand.normal()
    return 0 if true_ml < 1 else min(round(CARTRIDGE_ML), max(0, round(guess / step_ml) * step_ml))
