"""What becomes of an event at a cut: exactly one of billed, included, not billable, superseded or held."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any
from uuid import UUID

from billing.rules.pricing import Cover, Price

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


@dataclass(slots=True)
class Verdict:
    """An outcome and its reason; where it is billed by which cover and price, and where by what clause.

    ``is_minimum``: billed by the visit's minimum alone, since nothing on that day has a price of its own.
    """

    outcome: Outcome
    reason: Reason = Reason.NONE
    cover: Cover | None = None
    price: Price | None = None
    clause: str = ""
    counter: str = ""
    workings: Mapping[str, Any] = field(default_factory=dict)
    is_minimum: bool = False


@dataclass(slots=True)
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
