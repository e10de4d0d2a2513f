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
from billing.rules.rating.charges import (
    Charge,
    Figure,
    Held,
    Place,
    Rated,
    Rule,
    Span,
    charge_key,
    charge_of,
    share,
    step_for,
)
from billing.rules.verdicts import Verdicts
from billing.rules.visits import Day

ONE = Decimal(1)
_NO_WORKINGS: Mapping[str, str | int] = {}


@dataclass(slots=True)
class Sold:
    """What was sold at a site on a day, for the visit's minimum: by what cover, the charges, and who would bear it alone."""

    cover: Cover
    site: Site
    charges: list[Charge] = field(default_factory=list)
    awaited: list[Happening] = field(default_factory=list)  # billed by the minimum alone
    is_held: bool = False


def rate_events(
    inputs: Inputs,
    happenings: Sequence[Happening],
    stood: Mapping[UUID, Stood],
    verdicts: Verdicts,
    only: Collection[UUID] | None,
    rated: Rated,
) -> dict[Day, Sold]:
    """Add dispositions and charges of events, given in canonical order; returns what was sold on which day of a contract.

    ``only``: these events are asked about, the others merely counted (None: all).
    """
    sold: dict[Day, Sold] = {}
    for happening in happenings:
        place = stood.get(happening.event_id)
        verdict = verdicts.on(happening, place)
        if only is not None and happening.event_id not in only:
            continue
        key = ""
        if verdict.cover is not None and place is not None and place.site is not None:
            key = _sell(inputs, happening, place, place.site, verdict, verdict.cover, sold, rated)
        rated.dispositions.append(_disposition(happening, place, verdict, key))
    return sold


def _sell(
    inputs: Inputs,
    happening: Happening,
    stood: Stood,
    site: Site,
    verdict: Verdict,
    cover: Cover,
    sold: dict[Day, Sold],
    rated: Rated,
) -> str:
    """Add the charge of a billed event and note what its day sold; returns the key it is billed by."""
    on_day = None
    if cover.terms is not None and cover.terms.visit_minimum:
        on_day = sold.setdefault((site.id, stood.day), Sold(cover, site))
    if verdict.outcome is Outcome.HELD:
        if on_day is not None:
            on_day.is_held = True
        if verdict.reason is Reason.INDEX_MISSING and verdict.price is not None:
            rated.held.append(_held(happening, stood, site, verdict.price))
        return ""
    if verdict.is_minimum:
        if on_day is not None:
            on_day.awaited.append(happening)
        return minimum_key(inputs, cover, (site.id, stood.day))
    if verdict.price is None or verdict.price.version is None:
        return ""
    charge = _charge(inputs, happening, stood, site, verdict, cover, verdict.price)
    rated.charges.append(charge)
    if on_day is not None:
        on_day.charges.append(charge)
    return charge.key


def minimum_key(inputs: Inputs, cover: Cover, day: Day) -> str:
    return charge_key(inputs.operator.id, Rule.VISIT_MINIMUM, cover.party_id, *day)


def _charge(
    inputs: Inputs,
    happening: Happening,
    stood: Stood,
    site: Site,
    verdict: Verdict,
    cover: Cover,
    price: Price,
) -> Charge:
    rule = Rule(price.item.basis)
    version = price.version
    currency = version.currency if version else ""
    month = month_of(stood.day)
    amount = share(price.amount, ONE, 1, currency, step_for(inputs, cover, currency))
    key = charge_key(
        inputs.operator.id, rule, cover.party_id, happening.event_id, version.id if version else None
    )
    place = Place(site, stood.station, inputs.units.get(happening.subject_id, ""))
    span = Span(stood.day, month, month_after(month), happening.occurred_at)
    figure = Figure(ONE, 1, amount, verdict.workings or _NO_WORKINGS)
    return charge_of(
        rule,
        key,
        happening.subject_id,
        happening.event_id,
        price,
        cover,
        verdict.clause,
        place,
        span,
        figure,
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
    superseded_by = happening.superseded_by if verdict.outcome is Outcome.SUPERSEDED else None
    site_id = stood.site.id if stood is not None and stood.site is not None else happening.site_id
    return Disposition(
        happening.event_id,
        happening.subject_id,
        site_id,
        verdict.outcome,
        verdict.reason,
        key,
        superseded_by,
        verdict.clause if verdict.outcome is not Outcome.BILLED else "",
        verdict.counter,
    )
