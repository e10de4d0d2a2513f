"""The one verdict on each event: by the list as it always was, or by the terms of the contract that covers its day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any
from uuid import UUID

from billing.rules.dispositions import CHARGEABLE_TYPES, Outcome, Reason, Verdict
from billing.rules.inputs import Basis, Inputs
from billing.rules.months import month_of, year_of
from billing.rules.places import Footing, Happening, Stood
from billing.rules.pricing import Cover, Price, contract_is_over, cover_on, price_on
from billing.rules.terms import Inclusion, Mode, NotAdmitted, Terms
from billing.rules.visits import EXCHANGED, INSTALLING, MADE, NOT_ADMITTED, Day, VisitDay

# What a regular service consists of. Under a contract it is in the fee, whatever the list says, unless the contract
# names a price of its own for it or bills each unit's service.
SERVICE = frozenset(
    {
        *(EXCHANGED, MADE, "dose.set", "level.read", "reservoir.cleaned", "wick.checked", "wick.washed"),
    }
)
# Nobody let the crew in because nobody could: not billable under any terms.
NOBODYS_DOING = frozenset({"weather"})

_NOT_EFFECTIVE = {
    "superseded": Verdict(Outcome.SUPERSEDED),
    "clock_ahead": Verdict(Outcome.HELD, Reason.CLOCK_AHEAD),
}
_COUNTER_EVENT = Verdict(Outcome.NOT_BILLABLE, Reason.COUNTER_EVENT)
_NEVER_BILLS = Verdict(Outcome.NOT_BILLABLE, Reason.TYPE_NEVER_BILLS)
_BEFORE_PRICES = Verdict(Outcome.NOT_BILLABLE, Reason.BEFORE_PRICES)
_MONTH_OPEN = Verdict(Outcome.HELD, Reason.MONTH_OPEN)
_CONTRACT_ENDED = Verdict(Outcome.HELD, Reason.CONTRACT_ENDED)
_NO_AGREEMENT = Verdict(Outcome.HELD, Reason.NO_AGREEMENT)
_AGREED = Verdict(Outcome.INCLUDED, Reason.AGREEMENT)
_SAME_VISIT = Verdict(Outcome.INCLUDED, Reason.SAME_VISIT, clause="same_visit")


@dataclass(slots=True)
class Verdicts:
    """Verdicts on the events of some sites, to be asked for in canonical order: what is included is counted so.

    ``open_from`` is the first day that no close has reached: work on or after it waits for its own month, so that a cut
    after the month's end bills no early bird. ``days`` are the sites' days with an arrival.
    """

    inputs: Inputs
    open_from: date
    days: Mapping[Day, VisitDay]
    counts: dict[tuple[Any, ...], int] = field(default_factory=dict)
    covers: dict[tuple[int, date], Cover | None] = field(default_factory=dict)
    known: dict[tuple[str, str, int], Verdict] = field(default_factory=dict)

    def on(self, happening: Happening, stood: Stood | None) -> Verdict:
        """``stood`` is where the event's work was done, None for what is not effective."""
        if happening.standing != "effective":
            return _NOT_EFFECTIVE[happening.standing]
        if happening.type == "event.countered":
            return _COUNTER_EVENT
        if stood is None or (happening.type != INSTALLING and happening.type not in CHARGEABLE_TYPES):
            return _NEVER_BILLS
        cover = self._cover(stood)
        if (waits := self._waits(stood, cover)) is not None or cover is None:
            return waits or _NO_AGREEMENT
        if happening.type in {MADE, NOT_ADMITTED} or (cover.terms is not None and cover.terms.inclusions):
            return self._first(happening, stood, cover)
        key = (happening.type, stood.station.fixture if stood.station else "", id(cover))
        if (verdict := self.known.get(key)) is None:
            verdict = self.known[key] = self._first(happening, stood, cover)
        return verdict

    def _waits(self, stood: Stood, cover: Cover | None) -> Verdict | None:
        """Why work is not billed whatever it was: its day, its place, or nothing agreed for it; None: it may be."""
        if (cover is None or cover.contract is None) and self._is_before_prices(stood):
            return _BEFORE_PRICES
        if stood.day >= self.open_from:
            return _MONTH_OPEN
        if stood.footing is not Footing.FIRM or stood.site is None:
            return Verdict(Outcome.HELD, Reason(stood.footing))
        if cover is None:
            return _CONTRACT_ENDED if contract_is_over(self.inputs, stood.site, stood.day) else _NO_AGREEMENT
        return None

    def _first(self, happening: Happening, stood: Stood, cover: Cover) -> Verdict:
        """What is not counted is the same for all work of a kind at a site on a day, and found once."""
        if cover.contract is None or cover.terms is None:
            return self._by_list(happening, stood, cover)
        return self._by_contract(happening, stood, cover, cover.terms)

    def _cover(self, stood: Stood) -> Cover | None:
        if stood.site is None:
            return None
        key = (id(stood.site), stood.day)
        if key not in self.covers:
            self.covers[key] = cover_on(self.inputs, stood.site, stood.day)
        return self.covers[key]

    def _is_before_prices(self, stood: Stood) -> bool:
        since = self.inputs.prices_from
        if since is not None and stood.day >= since:
            return False
        return stood.site is None or not contract_is_over(self.inputs, stood.site, stood.day)

    def _by_list(self, happening: Happening, stood: Stood, cover: Cover) -> Verdict:
        if happening.type == INSTALLING:
            return self._priced(Basis.INSTALL, happening, stood, cover) or _AGREED
        if happening.type == MADE and (verdict := self._call_out(happening, stood, cover)):
            return verdict
        return self._priced(Basis.EVENT, happening, stood, cover) or _AGREED

    def _by_contract(self, happening: Happening, stood: Stood, cover: Cover, terms: Terms) -> Verdict:
        if happening.type == INSTALLING and terms.install_waived:
            return Verdict(Outcome.INCLUDED, Reason.IN_FEE, clause="install_waived")
        verdict = self._charged(happening, stood, cover, terms)
        return verdict or Verdict(Outcome.INCLUDED, Reason.IN_FEE, clause=cover.clause)

    def _charged(self, happening: Happening, stood: Stood, cover: Cover, terms: Terms) -> Verdict | None:
        """What the contract says of a piece of work beside its fee; None: it is in the fee."""
        if happening.type == INSTALLING:
            return self._priced(Basis.INSTALL, happening, stood, cover)
        if happening.type == MADE:
            return self._arrival(happening, stood, cover, terms)
        if happening.type == NOT_ADMITTED:
            return self._not_admitted(happening, stood, cover, terms)
        included = self._included(happening, stood, cover, terms)
        if included is not None or happening.type not in SERVICE:
            return included or self._priced(Basis.EVENT, happening, stood, cover)
        if terms.mode is Mode.UNIT_SERVICE and happening.type == EXCHANGED:
            return self._priced(Basis.EVENT, happening, stood, cover) or self._unpriced(cover)
        return self._own_price(happening, stood, cover)

    def _arrival(self, happening: Happening, stood: Stood, cover: Cover, terms: Terms) -> Verdict | None:
        """What an arrival costs: the first of a day at a site, or the one that makes the day a call-out; others nothing."""
        if verdict := self._call_out(happening, stood, cover):
            return verdict
        is_first = self._day(stood).made[0] is happening
        if terms.mode is not Mode.PER_VISIT:
            own = self._own_price(happening, stood, cover)
            return own if is_first or own is None else _SAME_VISIT
        if not is_first:
            return _SAME_VISIT
        return (
            self._included(happening, stood, cover, terms)
            or self._priced(Basis.VISIT, happening, stood, cover)
            or self._unpriced(cover)
        )

    def _call_out(self, happening: Happening, stood: Stood, cover: Cover) -> Verdict | None:
        """On a day that a call-out makes, where call-outs have a price; None elsewhere."""
        called = self._day(stood).call_out
        verdict = called and self._priced(Basis.CALL_OUT, happening, stood, cover, clause="call_out")
        if not verdict:
            return None
        return verdict if called is happening else _SAME_VISIT

    def _not_admitted(self, happening: Happening, stood: Stood, cover: Cover, terms: Terms) -> Verdict | None:
        """Billed by a price of its own, else as the visit it would have been, else by the visit's minimum."""
        if terms.not_admitted is NotAdmitted.FREE or happening.reason in NOBODYS_DOING:
            return Verdict(Outcome.NOT_BILLABLE, Reason.NOT_CHARGED, clause="not_admitted")
        day = self._day(stood)
        if day.made or day.not_admitted[0] is not happening:
            return _SAME_VISIT
        workings = {"reason": happening.reason}
        if priced := self._priced(
            Basis.EVENT, happening, stood, cover, clause="not_admitted", workings=workings
        ):
            return priced
        if terms.mode is Mode.PER_VISIT:
            return self._priced(
                Basis.VISIT, happening, stood, cover, clause="not_admitted", workings=workings
            )
        if terms.mode is Mode.UNIT_SERVICE and terms.visit_minimum:
            return Verdict(Outcome.BILLED, cover=cover, clause="not_admitted", is_minimum=True)
        return None

    def _included(self, happening: Happening, stood: Stood, cover: Cover, terms: Terms) -> Verdict | None:
        """The verdict where a counter of the contract still has room for this event, which it then takes."""
        for inclusion in terms.inclusions:
            if inclusion.event_type != happening.type or cover.contract is None or stood.site is None:
                continue
            is_by_unit = inclusion.per == "unit" and stood.station is not None
            about: UUID = happening.subject_id if is_by_unit else stood.site.id
            since = _period(inclusion, cover.contract.starts_on, stood.day)
            key = (cover.contract.id, inclusion.event_type, inclusion.per, inclusion.every, about, since)
            place = self.counts.get(key, 0) + 1
            if place <= inclusion.count:
                self.counts[key] = place
                return Verdict(
                    Outcome.INCLUDED,
                    Reason.INCLUSION,
                    clause=f"inclusion:{inclusion.event_type}",
                    counter=f"{place} of {inclusion.count} from {since}",
                )
        return None

    def _priced(
        self,
        basis: Basis,
        happening: Happening,
        stood: Stood,
        cover: Cover,
        *,
        clause: str = "",
        workings: Mapping[str, Any] | None = None,
    ) -> Verdict | None:
        """Billed at the price of this basis, held where it has none on this day; None where there is no such item."""
        price = price_on(
            self.inputs,
            basis,
            stood.day,
            fixture=stood.station.fixture if stood.station else "",
            event_type=happening.type if basis is Basis.EVENT else "",
            contract=cover.contract,
            site_id=stood.site.id if stood.site else None,
        )
        if price is None:
            return None
        return _at(price, cover, clause or cover.clause, workings or {})

    def _own_price(self, happening: Happening, stood: Stood, cover: Cover) -> Verdict | None:
        """Billed where the contract itself names a price for it; what the list says of it is in the fee."""
        verdict = self._priced(Basis.EVENT, happening, stood, cover)
        version = verdict.price.version if verdict and verdict.price else None
        return verdict if version is not None and version.contract_id is not None else None

    def _unpriced(self, cover: Cover) -> Verdict:
        """The contract bills for it, and nothing says how much."""
        return Verdict(Outcome.HELD, Reason.NO_PRICE, cover=cover)

    def _day(self, stood: Stood) -> VisitDay:
        site = stood.site
        return self.days[site.id, stood.day] if site is not None else VisitDay()


def _at(price: Price, cover: Cover, clause: str, workings: Mapping[str, Any]) -> Verdict:
    if price.version is None:
        return Verdict(Outcome.HELD, Reason.NO_PRICE, cover=cover, price=price)
    if price.is_missing_index:
        return Verdict(Outcome.HELD, Reason.INDEX_MISSING, cover=cover, price=price)
    return Verdict(Outcome.BILLED, cover=cover, price=price, clause=clause, workings=workings)


def _period(inclusion: Inclusion, contract_starts_on: date, day: date) -> date:
    """The first day of the contract's year, or of the month, that a day counts in."""
    return year_of(contract_starts_on, day) if inclusion.every == "year" else month_of(day)
