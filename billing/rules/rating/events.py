"""What events come to: the disposition of each, and a charge where its work is billed by itself."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from uuid import UUID

from billing.rules.dispositions import Disposition, Outcome, Reason, Verdict
from billing.rules.inputs import Inputs, Site
from billing.rules.months import month_after, month_of
from billing.rules.places import Happening, Stood
from billing.rules.pricing import Cover, Price
from billing.rules.rating.charges import Charge, Held, Like, Rule, charge_key, charge_of, share, step_for
from billing.rules.rating.runs import Run
from billing.rules.verdicts import Verdicts
from billing.rules.visits import Day

ONE = Decimal(1)


@dataclass(slots=True)
class Sold:
    """What was sold at a site on a day, for the visit's minimum: by what cover, the charges, and who would bear it alone."""

    cover: Cover
    site: Site
    charges: list[Charge] = field(default_factory=list)
    awaited: list[Happening] = field(default_factory=list)  # billed by the minimum alone
    is_held: bool = False


@dataclass(slots=True)
class Selling:
    """Dispositions and charges of events that are given in canonical order, and what was sold on which day.

    ``only``: these events are asked about, the others merely counted (None: all).
    """

    run: Run
    verdicts: Verdicts
    only: Collection[UUID] | None
    sold: dict[Day, Sold] = field(default_factory=dict)
    likes: dict[int, tuple[Verdict, Like]] = field(default_factory=dict)

    def rate(self, happenings: Sequence[Happening], stood: Mapping[UUID, Stood]) -> None:
        only, dispositions = self.only, self.run.rated.dispositions
        for happening in happenings:
            place = stood.get(happening.event_id)
            verdict = self.verdicts.on(happening, place)
            if only is not None and happening.event_id not in only:
                continue
            key = ""
            if verdict.cover is not None and place is not None and place.site is not None:
                key = self._sell(happening, place, place.site, verdict, verdict.cover)
            dispositions.append(_disposition(happening, place, verdict, key))

    def _sell(self, happening: Happening, stood: Stood, site: Site, verdict: Verdict, cover: Cover) -> str:
        """Add the charge of a billed event and note what its day sold; returns the key it is billed by."""
        on_day = None
        if cover.terms is not None and cover.terms.visit_minimum:
            on_day = self.sold.setdefault((site.id, stood.day), Sold(cover, site))
        if verdict.outcome is Outcome.HELD:
            if on_day is not None:
                on_day.is_held = True
            if verdict.reason is Reason.INDEX_MISSING and verdict.price is not None:
                self.run.rated.held.append(_held(happening, stood, site, verdict.price))
            return ""
        if verdict.is_minimum:
            if on_day is not None:
                on_day.awaited.append(happening)
            return minimum_key(self.run.inputs, cover, (site.id, stood.day))
        if verdict.price is None:
            return ""
        charge = self._charge(happening, stood, verdict, cover, verdict.price)
        self.run.rated.charges.append(charge)
        if on_day is not None:
            on_day.charges.append(charge)
        return charge.key

    def _charge(
        self, happening: Happening, stood: Stood, verdict: Verdict, cover: Cover, price: Price
    ) -> Charge:
        """A verdict that several events share is of one site and day: their charges differ in whose they are."""
        if (known := self.likes.get(id(verdict))) is None:
            charge = _first_charge(self.run.inputs, happening, stood, verdict, price)
            version = price.version
            parts = (cover.party_id, happening.event_id, version.id if version else None)
            like = Like(charge, self.run.inputs.operator.id, parts, happening.event_id)
            self.likes[id(verdict)] = (verdict, like)
            return charge
        return known[1].of(
            happening.event_id,
            subject_id=happening.subject_id,
            event_id=happening.event_id,
            unit_code=self.run.inputs.units.get(happening.subject_id, ""),
            place=stood.station.label if stood.station else "",
            occurred_at=happening.occurred_at,
        )


def minimum_key(inputs: Inputs, cover: Cover, day: Day) -> str:
    return charge_key(inputs.operator.id, Rule.VISIT_MINIMUM, cover.party_id, *day)


def _first_charge(
    inputs: Inputs, happening: Happening, stood: Stood, verdict: Verdict, price: Price
) -> Charge:
    rule, version, month = Rule(price.item.basis), price.version, month_of(stood.day)
    cover = verdict.cover
    if version is None or stood.site is None or cover is None:
        raise ValueError("Work that is billed has a site and a price.")
    step = step_for(inputs, cover, version.currency)
    return charge_of(
        rule=rule,
        key=charge_key(inputs.operator.id, rule, cover.party_id, happening.event_id, version.id),
        subject_id=happening.subject_id,
        event_id=happening.event_id,
        price=price,
        cover=cover,
        clause=verdict.clause,
        site=stood.site,
        station=stood.station,
        service_on=stood.day,
        days=(month, month_after(month)),
        part=ONE,
        whole=1,
        amount=share(price.amount, ONE, 1, version.currency, step),
        workings=verdict.workings,
        unit_code=inputs.units.get(happening.subject_id, ""),
        occurred_at=happening.occurred_at,
    )


def _held(happening: Happening, stood: Stood, site: Site, price: Price) -> Held:
    month = month_of(stood.day)
    return Held(
        Reason.INDEX_MISSING,
        site.customer_id,
        site.id,
        site.code,
        happening.subject_id,
        price.item.code,
        month,
        month_after(month),
        happening.event_id,
    )


def _disposition(happening: Happening, stood: Stood | None, verdict: Verdict, key: str) -> Disposition:
    return Disposition(
        happening.event_id,
        happening.subject_id,
        stood.site.id if stood is not None and stood.site is not None else happening.site_id,
        verdict.outcome,
        verdict.reason,
        key,
        happening.superseded_by if verdict.outcome is Outcome.SUPERSEDED else None,
        "" if key else verdict.clause,
        verdict.counter,
    )
