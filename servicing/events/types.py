"""The types of the service-event log and what each one's payload says, in its newest schema version.

A stored event never changes its meaning: a payload that must say something else gets version N + 1 here and an
upcaster N -> N + 1 in ``reading.py``. Payloads hold ids, codes, whole mL, dates and decimals as text; no free text.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from enum import StrEnum
from typing import ClassVar
from uuid import UUID

from servicing.events import fields


class Subject(StrEnum):
    SITE = "site"
    UNIT = "unit"
    VISIT = "visit"


class EventType(StrEnum):
    ALERT_ACKNOWLEDGED = "alert.acknowledged"
    CARTRIDGE_EXCHANGED = "cartridge.exchanged"
    DOSE_SET = "dose.set"
    EVENT_COUNTERED = "event.countered"
    FAULT_CLOSED = "fault.closed"
    FAULT_FOUND = "fault.found"
    LEAK_STOPPED = "leak.stopped"
    LEVEL_READ = "level.read"
    OUTLET_CLEARED = "outlet.cleared"
    PLACEMENT_CHECKED = "placement.checked"
    REPORT_CLOSED = "report.closed"
    REPORT_RECEIVED = "report.received"
    RESERVOIR_CLEANED = "reservoir.cleaned"
    SPILL_LOGGED = "spill.logged"
    STANDSTILL_BEGAN = "standstill.began"
    STANDSTILL_ENDED = "standstill.ended"
    UNIT_INSTALLED = "unit.installed"
    UNIT_MOVED = "unit.moved"
    UNIT_OPENED = "unit.opened"
    UNIT_WITHDRAWN = "unit.withdrawn"
    VISIT_CALLED_OFF = "visit.called_off"
    VISIT_MADE = "visit.made"
    VISIT_NOT_ADMITTED = "visit.not_admitted"
    WICK_CHANGED = "wick.changed"
    WICK_CHECKED = "wick.checked"
    WICK_WASHED = "wick.washed"


# Failure modes in the manner of ISO 14224 (second-hand; confirm against the standard), and two of the trade's own.
FAULT_MODES = ("PLU", "LOO", "HIO", "ELU", "STD", "NOO", "MIS", "TMP")
REPORT_KINDS = ("odour", "leak", "empty", "damage", "chemical")
# What a site's own cleaners put into the fixture below, as the label of their product names it.
BOWL_PRODUCTS = ("none", "hypochlorite", "ammonium", "acid", "neutral")


class Payload:
    TYPE: ClassVar[EventType]
    VERSION: ClassVar[int] = 1
    SUBJECTS: ClassVar[tuple[Subject, ...]] = (Subject.UNIT,)
    # Optional fields of which either all are given or none.
    TOGETHER: ClassVar[tuple[str, ...]] = ()

    def contradictions(self) -> Iterator[tuple[str, str, str]]:
        """What its fields, each readable, say against each other: field, code and a sentence for the sender."""
        return iter(())


@dataclass(frozen=True, slots=True)
class UnitInstalled(Payload):
    """A unit goes into service at a station, filled; ``wick`` says whether the wick's age is known to start now."""

    TYPE: ClassVar[EventType] = EventType.UNIT_INSTALLED
    station_id: UUID = fields.ref()
    cartridge_id: UUID = fields.ref()
    charge_ml: int = fields.ml(least=1)
    wick: str = fields.word("new", "unknown")


@dataclass(frozen=True, slots=True)
class UnitMoved(Payload):
    TYPE: ClassVar[EventType] = EventType.UNIT_MOVED
    station_id: UUID = fields.ref()


# Nothing that hangs is older; an earlier day is a slip of the finger.
MOST_DAYS_BEFORE = 50 * 365


@dataclass(frozen=True, slots=True)
class UnitOpened(Payload):
    """A unit that hung already when its operator began with this log, and what is known of it on the day ``as_of``.

    ``as_of`` is the site's own date of ``occurred_at``; a day before it is taken at the same time of day. What nobody
    knows is left out and stays unknown. ``charge_ml`` is what the cartridge held when it went in, ``left_ml`` what was
    there on ``as_of``, in cartridge and reservoir together. It is no work: nothing is charged for it.
    """

    TYPE: ClassVar[EventType] = EventType.UNIT_OPENED
    TOGETHER: ClassVar[tuple[str, ...]] = ("cartridge_id", "charge_ml")
    station_id: UUID = fields.ref()
    as_of: date = fields.day()
    installed_on: date | None = fields.day(optional=True)
    last_exchange_on: date | None = fields.day(optional=True)
    cartridge_id: UUID | None = fields.ref(optional=True)
    charge_ml: int | None = fields.ml(optional=True, least=1)
    left_ml: int | None = fields.ml(optional=True)
    wick_fitted_on: date | None = fields.day(optional=True)
    wick_condition: str | None = fields.word("good", "slow", "failed", optional=True)
    reservoir_cleaned_on: date | None = fields.day(optional=True)
    dose_ml_per_day: Decimal | None = fields.dose(optional=True)

    def contradictions(self) -> Iterator[tuple[str, str, str]]:
        if self.as_of.year < 1900:  # noqa: PLR2004 - no unit is that old, and the days before it must be days too
            yield "as_of", "too-early", "Expected: a day from the year 1900 on."
            return
        earliest = self.as_of - timedelta(days=MOST_DAYS_BEFORE)
        for name in ("installed_on", "last_exchange_on", "wick_fitted_on", "reservoir_cleaned_on"):
            day: date | None = getattr(self, name)
            if day is None:
                continue
            if day > self.as_of:
                yield name, "after-as-of", "Expected: a day up to the one on which this was so."
            elif day < earliest:
                yield name, "too-early", f"Expected: a day at most {MOST_DAYS_BEFORE // 365} years before."
            elif self.installed_on is not None and day < self.installed_on and name != "wick_fitted_on":
                yield name, "before-installed", "Expected: a day from the installation on."


@dataclass(frozen=True, slots=True)
class UnitWithdrawn(Payload):
    TYPE: ClassVar[EventType] = EventType.UNIT_WITHDRAWN
    reason: str = fields.word("agreement_ended", "replaced", "damaged", "missing", "site_closed", "other")


@dataclass(frozen=True, slots=True)
class CartridgeExchanged(Payload):
    """A full cartridge goes in. The three volumes are what the mass balance needs; each may be unread."""

    TYPE: ClassVar[EventType] = EventType.CARTRIDGE_EXCHANGED
    cartridge_id: UUID = fields.ref()
    charge_ml: int = fields.ml(least=1)
    cartridge_left_ml: int | None = fields.ml(optional=True)
    reservoir_before_ml: int | None = fields.ml(optional=True)
    reservoir_after_ml: int | None = fields.ml(optional=True)
    lot: str | None = fields.code(optional=True)


@dataclass(frozen=True, slots=True)
class LevelRead(Payload):
    TYPE: ClassVar[EventType] = EventType.LEVEL_READ
    cartridge_left_ml: int = fields.ml()
    reservoir_ml: int = fields.ml()


@dataclass(frozen=True, slots=True)
class WickChecked(Payload):
    TYPE: ClassVar[EventType] = EventType.WICK_CHECKED
    condition: str = fields.word("good", "slow", "failed")


@dataclass(frozen=True, slots=True)
class WickWashed(Payload):
    TYPE: ClassVar[EventType] = EventType.WICK_WASHED


@dataclass(frozen=True, slots=True)
class WickChanged(Payload):
    TYPE: ClassVar[EventType] = EventType.WICK_CHANGED
    reason: str = fields.word("age", "slow", "failed", "damaged", "other")


@dataclass(frozen=True, slots=True)
class ReservoirCleaned(Payload):
    TYPE: ClassVar[EventType] = EventType.RESERVOIR_CLEANED
    wiped_out_ml: int | None = fields.ml(optional=True)


@dataclass(frozen=True, slots=True)
class DoseSet(Payload):
    TYPE: ClassVar[EventType] = EventType.DOSE_SET
    dose_ml_per_day: Decimal = fields.dose()


@dataclass(frozen=True, slots=True)
class OutletCleared(Payload):
    TYPE: ClassVar[EventType] = EventType.OUTLET_CLEARED
    drips_again: bool = fields.flag()


@dataclass(frozen=True, slots=True)
class LeakStopped(Payload):
    TYPE: ClassVar[EventType] = EventType.LEAK_STOPPED


@dataclass(frozen=True, slots=True)
class FaultFound(Payload):
    TYPE: ClassVar[EventType] = EventType.FAULT_FOUND
    mode: str = fields.word(*FAULT_MODES)
    detection: str = fields.word("visit_check", "report", "off_schedule")


@dataclass(frozen=True, slots=True)
class FaultClosed(Payload):
    TYPE: ClassVar[EventType] = EventType.FAULT_CLOSED
    mode: str = fields.word(*FAULT_MODES)
    action: str = fields.word("replaced", "cleaned", "adjusted", "repaired", "removed")


@dataclass(frozen=True, slots=True)
class VisitMade(Payload):
    TYPE: ClassVar[EventType] = EventType.VISIT_MADE
    SUBJECTS: ClassVar[tuple[Subject, ...]] = (Subject.VISIT,)
    site_id: UUID = fields.ref()
    outcome: str = fields.word("served", "part_served")
    crew_id: UUID | None = fields.ref(optional=True)
    minutes: int | None = fields.count(optional=True, most=1_440)


@dataclass(frozen=True, slots=True)
class VisitNotAdmitted(Payload):
    TYPE: ClassVar[EventType] = EventType.VISIT_NOT_ADMITTED
    SUBJECTS: ClassVar[tuple[Subject, ...]] = (Subject.VISIT,)
    site_id: UUID = fields.ref()
    reason: str = fields.word(
        "closed", "nobody_to_admit", "room_occupied", "key_missing", "unsafe", "refused", "weather"
    )
    crew_id: UUID | None = fields.ref(optional=True)


@dataclass(frozen=True, slots=True)
class VisitCalledOff(Payload):
    TYPE: ClassVar[EventType] = EventType.VISIT_CALLED_OFF
    SUBJECTS: ClassVar[tuple[Subject, ...]] = (Subject.VISIT,)
    site_id: UUID = fields.ref()
    reason: str = fields.word("customer", "operator", "weather", "other")
    crew_id: UUID | None = fields.ref(optional=True)


@dataclass(frozen=True, slots=True)
class StandstillBegan(Payload):
    """A site pauses from ``starts_on`` to the last day ``ends_on`` (open when left out); ``billing`` is its rule."""

    TYPE: ClassVar[EventType] = EventType.STANDSTILL_BEGAN
    SUBJECTS: ClassVar[tuple[Subject, ...]] = (Subject.SITE,)
    starts_on: date = fields.day()
    billing: str = fields.word("full", "half", "none")
    ends_on: date | None = fields.day(optional=True)


@dataclass(frozen=True, slots=True)
class StandstillEnded(Payload):
    """The site's latest standstill that covers ``ended_on`` ends with that day as its last."""

    TYPE: ClassVar[EventType] = EventType.STANDSTILL_ENDED
    SUBJECTS: ClassVar[tuple[Subject, ...]] = (Subject.SITE,)
    ended_on: date = fields.day()


@dataclass(frozen=True, slots=True)
class ReportReceived(Payload):
    """What the report is about. Who said it, and their words, are kept elsewhere: here stand only id and hash."""

    TYPE: ClassVar[EventType] = EventType.REPORT_RECEIVED
    VERSION: ClassVar[int] = 2
    SUBJECTS: ClassVar[tuple[Subject, ...]] = (Subject.UNIT, Subject.SITE)
    TOGETHER: ClassVar[tuple[str, ...]] = ("text_id", "text_hash")
    kind: str = fields.word(*REPORT_KINDS)
    text_id: UUID | None = fields.ref(optional=True)
    text_hash: str | None = fields.digest(optional=True)


@dataclass(frozen=True, slots=True)
class ReportClosed(Payload):
    TYPE: ClassVar[EventType] = EventType.REPORT_CLOSED
    SUBJECTS: ClassVar[tuple[Subject, ...]] = (Subject.UNIT, Subject.SITE)
    report_event_id: UUID = fields.ref()


@dataclass(frozen=True, slots=True)
class PlacementChecked(Payload):
    """A station looked at before a unit goes there: the rule and its version, what was found, and the outcome then.

    The outcome and the inputs are kept as they were, so that an old record is read by the rule of its day.
    """

    TYPE: ClassVar[EventType] = EventType.PLACEMENT_CHECKED
    SUBJECTS: ClassVar[tuple[Subject, ...]] = (Subject.SITE,)
    station_id: UUID = fields.ref()
    cartridge_id: UUID = fields.ref()
    rule: str = fields.word("incompatible_liquids")
    rule_version: int = fields.count()
    outcome: str = fields.word("meets", "breaks", "not_measured")
    bowl_product: str | None = fields.word(*BOWL_PRODUCTS, optional=True)


@dataclass(frozen=True, slots=True)
class SpillLogged(Payload):
    """Liquid that went where it should not, and what was done about it."""

    TYPE: ClassVar[EventType] = EventType.SPILL_LOGGED
    SUBJECTS: ClassVar[tuple[Subject, ...]] = (Subject.SITE,)
    volume_ml: int = fields.ml(least=1)
    surface: str = fields.word("floor", "wall", "fixture", "other")
    action: str = fields.word("wiped_up", "absorbed", "neutralised", "handed_over")


@dataclass(frozen=True, slots=True)
class AlertAcknowledged(Payload):
    """Names the alert's key: its kind, the subject (this event's) and the first day it was true."""

    TYPE: ClassVar[EventType] = EventType.ALERT_ACKNOWLEDGED
    kind: str = fields.word("due", "past_grace", "dry_soon", "wick_watch", "drift")
    first_day: date = fields.day()


@dataclass(frozen=True, slots=True)
class EventCountered(Payload):
    """Undoes the event named in ``corrects``; its subject is that event's subject."""

    TYPE: ClassVar[EventType] = EventType.EVENT_COUNTERED
    SUBJECTS: ClassVar[tuple[Subject, ...]] = (Subject.UNIT, Subject.SITE, Subject.VISIT)
    reason: str = fields.word("wrong_unit", "wrong_entry", "not_done", "other")
