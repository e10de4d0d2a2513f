"""What becomes of an event at a cut: exactly one of billed, included, not billable, superseded or held."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from uuid import UUID

from billing.rules.inputs import Agreement, Basis, Inputs, Item, Version
from billing.rules.places import Footing, Happening, Stood
from billing.rules.pricing import price_on

# Work a price item may name. Installing has its own basis; what only informs the office is never billed.
CHARGEABLE_TYPES = frozenset(
    {
        "cartridge.exchanged",
        "dose.set",
        "fault.closed",
        "leak.stopped",
        "level.read",
        "outlet.cleared",
        "reservoir.cleaned",
        "unit.moved",
        "unit.withdrawn",
        "visit.made",
        "visit.not_admitted",
        "wick.changed",
        "wick.checked",
        "wick.washed",
    }
)
INSTALLING = "unit.installed"


class Outcome(StrEnum):
    BILLED = "billed"
    INCLUDED = "included"
    NOT_BILLABLE = "not_billable"
    SUPERSEDED = "superseded"
    HELD = "held"


class Reason(StrEnum):
    """Why; ``billed`` needs none."""

    NONE = ""
    AGREEMENT = "agreement"
    ALREADY_INSTALLED = "already_installed"
    BEFORE_PRICES = "before_prices"
    CLOCK_AHEAD = "clock_ahead"
    CONTRACT_ENDED = "contract_ended"
    COUNTER_EVENT = "counter_event"
    IN_FEE = "in_fee"
    INCLUSION = "inclusion"
    INDEX_MISSING = "index_missing"
    MONTH_OPEN = "month_open"
    NO_AGREEMENT = "no_agreement"
    NO_PRICE = "no_price"
    NOT_CHARGED = "not_charged"
    NOT_IN_SERVICE = "not_in_service"
    REPLACED = "replaced"
    SAME_VISIT = "same_visit"
    TYPE_NEVER_BILLS = "type_never_bills"
    UNKNOWN_STATION = "unknown_station"


# Held only until time passes or the sender replaces the event; every other hold may also hold back days in service.
WAITING = frozenset({Reason.MONTH_OPEN, Reason.CLOCK_AHEAD})


@dataclass(frozen=True, slots=True)
class Priced:
    """The agreement, item and price a piece of work is billed by."""

    agreement: Agreement
    item: Item
    version: Version


@dataclass(frozen=True, slots=True)
class Verdict:
    """An outcome and its reason, and the price where it is billed."""

    outcome: Outcome
    reason: Reason = Reason.NONE
    priced: Priced | None = None


@dataclass(frozen=True, slots=True)
class Disposition:
    """What became of one event at a cut. ``superseded_by`` is the counter-event or the replacement.

    ``clause`` names the rule of the contract that included it, ``counter`` its place: "1 of 1 from 2026-03-01".
    """

    event_id: UUID
    subject_id: UUID
    site_id: UUID | None
    outcome: Outcome
    reason: Reason
    charge_key: str
    superseded_by: UUID | None
    clause: str = ""
    counter: str = ""


def verdict_on(inputs: Inputs, happening: Happening, stood: Stood | None, open_from: date) -> Verdict:
    """The one verdict on an event.

    ``stood`` is where the walk found it, None for what is not effective. ``open_from`` is the first day that no close
    has reached: work on or after it waits for its own month, so that a cut after the month's end bills no early bird.
    """
    if happening.standing == "superseded":
        return Verdict(Outcome.SUPERSEDED)
    if happening.standing == "clock_ahead":
        return Verdict(Outcome.HELD, Reason.CLOCK_AHEAD)
    if happening.type == "event.countered":
        return Verdict(Outcome.NOT_BILLABLE, Reason.COUNTER_EVENT)
    if stood is None or (happening.type != INSTALLING and happening.type not in CHARGEABLE_TYPES):
        return Verdict(Outcome.NOT_BILLABLE, Reason.TYPE_NEVER_BILLS)
    return _on_its_day(inputs, happening, stood, open_from)


def _on_its_day(inputs: Inputs, happening: Happening, stood: Stood, open_from: date) -> Verdict:
    if inputs.prices_from is None or stood.day < inputs.prices_from:
        return Verdict(Outcome.NOT_BILLABLE, Reason.BEFORE_PRICES)
    if stood.day >= open_from:
        return Verdict(Outcome.HELD, Reason.MONTH_OPEN)
    if stood.footing is not Footing.FIRM or stood.site is None:
        return Verdict(Outcome.HELD, Reason(stood.footing))
    return _under_agreement(inputs, happening, stood)


def _under_agreement(inputs: Inputs, happening: Happening, stood: Stood) -> Verdict:
    agreement = stood.site.agreement_on(stood.day) if stood.site else None
    if agreement is None:
        return Verdict(Outcome.HELD, Reason.NO_AGREEMENT)
    fixture = stood.station.fixture if stood.station else ""
    if happening.type == INSTALLING:
        items = inputs.items_for(Basis.INSTALL, fixture=fixture)
    else:
        items = inputs.items_for(Basis.EVENT, fixture=fixture, event_type=happening.type)
    price = price_on(items, stood.day)
    if price is None:
        return Verdict(Outcome.INCLUDED, Reason.AGREEMENT)
    item, version = price
    if version is None:
        return Verdict(Outcome.HELD, Reason.NO_PRICE)
    return Verdict(Outcome.BILLED, priced=Priced(agreement, item, version))
