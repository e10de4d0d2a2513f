"""What hangs on more than one event: the minimum of a visit, the credit for a missed service, the claw-back of a waived fee."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

from billing.rules.inputs import Basis, Inputs, Site
from billing.rules.missed import MissedService
from billing.rules.money import rounded
from billing.rules.months import month_after, month_of, whole_months
from billing.rules.places import Happening, Stood
from billing.rules.pricing import Cover, Price, cover_on, price_on
from billing.rules.rating.charges import (
    Charge,
    Figure,
    Place,
    Rule,
    Span,
    charge_key,
    charge_of,
    share,
    step_for,
)
from billing.rules.rating.events import ONE, Sold, minimum_key
from billing.rules.rating.periods import Window, last_covered
from billing.rules.terms import Mode
from billing.rules.visits import Day

# Modes in which a visit is paid for by what is done in it; elsewhere the fee covers it, and only a call-out has a minimum.
PAID_BY_THE_VISIT = frozenset({Mode.UNIT_SERVICE, Mode.PER_VISIT})


def visit_minimums(inputs: Inputs, sold: Mapping[Day, Sold], window: Window) -> list[Charge]:
    """A top-up for each day whose lines do not reach the minimum of a visit; before tax, as a charge of its own."""
    found = []
    for (site_id, day), on_day in sold.items():
        terms, is_call_out = on_day.cover.terms, any(c.rule is Rule.CALL_OUT for c in on_day.charges)
        if terms is None or not terms.visit_minimum or on_day.is_held or not window.has(day):
            continue
        if (on_day.charges or on_day.awaited) and (terms.mode in PAID_BY_THE_VISIT or is_call_out):
            currency = (
                on_day.charges[0].currency
                if on_day.charges
                else inputs.entity_of(on_day.cover.party_id).currency
            )
            step = step_for(inputs, on_day.cover, currency)
            minimum = rounded(terms.visit_minimum, currency, step)
            lines = sum((c.amount for c in on_day.charges), Decimal(0))
            if lines < minimum:
                found.append(
                    _top_up(inputs, on_day, (site_id, day), currency, terms.visit_minimum, minimum, lines)
                )
    return found


def _top_up(
    inputs: Inputs, sold: Sold, day: Day, currency: str, price: Decimal, minimum: Decimal, lines: Decimal
) -> Charge:
    month = month_of(day[1])
    first = sold.charges[0] if sold.charges else None
    return Charge(
        key=minimum_key(inputs, sold.cover, day),
        rule=Rule.VISIT_MINIMUM,
        subject_id=day[0],
        event_id=None,
        item_code="visit-minimum",
        item_name="Up to the minimum of a visit",
        price_version_id=None,
        unit_price=price,
        currency=currency,
        customer_id=sold.site.customer_id,
        agreement_id=sold.cover.agreement.id if sold.cover.agreement else None,
        agreement_number=sold.cover.agreement.number if sold.cover.agreement else "",
        site_id=sold.site.id,
        site_code=sold.site.code,
        site_name=sold.site.name,
        unit_code="",
        place="",
        service_on=day[1],
        occurred_at=None,
        starts_on=month,
        ends_before=month_after(month),
        part=ONE,
        whole=1,
        amount=minimum - lines,
        clause="visit_minimum",
        contract_id=sold.cover.contract.id if sold.cover.contract else None,
        contract_number=sold.cover.contract.number if sold.cover.contract else "",
        tax_class=first.tax_class if first else "standard",
        revenue_account=first.revenue_account if first else "",
        workings={"lines": f"{lines:f}", "minimum": f"{minimum:f}"},
    )


def missed_credits(inputs: Inputs, one: MissedService, fees: Iterable[Charge]) -> list[Charge]:
    """What a missed service gives back of each of these fees: fee x units missed / units planned.

    ``fees``: what the months that the service was for cost. A unit's own fee comes back whole if it was missed.
    """
    found = []
    for fee in fees:
        is_of_unit = fee.rule is Rule.UNIT_MONTH
        planned = 1 if is_of_unit else len(one.planned)
        missed = int(fee.subject_id in one.missed) if is_of_unit else len(one.missed)
        step = step_for(inputs, one.cover, fee.currency)
        credit = share(fee.amount, Decimal(missed), planned, fee.currency, step)
        if credit:
            found.append(_credit(inputs, one, fee, (planned, missed), credit))
    return found


def _credit(
    inputs: Inputs, one: MissedService, fee: Charge, counts: tuple[int, int], credit: Decimal
) -> Charge:
    planned, missed = counts
    return replace(
        fee,
        key=charge_key(inputs.operator.id, Rule.MISSED_SERVICE, one.cover.party_id, fee.key, one.due_on),
        rule=Rule.MISSED_SERVICE,
        service_on=one.due_on,
        part=Decimal(-missed),
        whole=planned,
        amount=-credit,
        clause="missed_service",
        in_advance=False,
        workings={
            "due_on": str(one.due_on),
            "fee": f"{fee.amount:f}",
            "made_good_until": str(one.until),
            "missed": missed,
            "planned": planned,
        },
        billed_with=None,
    )


def claw_backs(
    inputs: Inputs, installations: Iterable[tuple[Happening, Stood]], window: Window
) -> list[Charge]:
    """What a site that leaves early pays of each installation that was waived: its fee x months left / months agreed.

    A site whose contract is followed by another the same day has not left.
    """
    found = []
    for happening, stood in installations:
        site = stood.site
        cover = cover_on(inputs, site, stood.day) if site is not None else None
        if site is None or cover is None or cover.terms is None or not cover.terms.install_waived:
            continue
        left_on = _left_on(inputs, site, stood.day)
        months = cover.terms.claw_back_months
        if left_on is None or not months or not window.has(left_on - timedelta(days=1)):
            continue
        remaining = months - whole_months(stood.day, left_on)
        price = price_on(
            inputs,
            Basis.INSTALL,
            stood.day,
            fixture=stood.station.fixture if stood.station else "",
            contract=cover.contract,
            site_id=site.id,
        )
        if remaining > 0 and price is not None and price.version is not None and not price.is_missing_index:
            found.append(_claw_back(inputs, happening, stood, cover, price, (remaining, months), left_on))
    return found


def _left_on(inputs: Inputs, site: Site, day: date) -> date | None:
    """The first day that no contract covers a site any more, counted from one that did; None while that is not known."""
    until: date | None = day
    while until is not None and (cover := cover_on(inputs, site, until)) and cover.contract is not None:
        until = last_covered(inputs, site.id, cover, until)
    return until


def _claw_back(
    inputs: Inputs,
    happening: Happening,
    stood: Stood,
    cover: Cover,
    price: Price,
    months: tuple[int, int],
    left_on: date,
) -> Charge:
    version, site = price.version, stood.site
    if version is None or site is None:
        raise ValueError("A claw-back needs a site and a price.")
    remaining, agreed = months
    step = step_for(inputs, cover, version.currency)
    amount = share(price.amount, Decimal(remaining), agreed, version.currency, step)
    month = month_of(left_on - timedelta(days=1))
    key = charge_key(inputs.operator.id, Rule.CLAW_BACK, cover.party_id, happening.event_id, version.id)
    place = Place(site, stood.station, inputs.units.get(happening.subject_id, ""))
    span = Span(left_on - timedelta(days=1), month, month_after(month))
    workings = {
        "event": str(happening.event_id),
        "fee": f"{price.amount:f}",
        "installed_on": str(stood.day),
        "months": agreed,
        "remaining": remaining,
    }
    figure = Figure(Decimal(remaining), agreed, amount, workings)
    return charge_of(
        Rule.CLAW_BACK, key, happening.subject_id, None, price, cover, "claw_back", place, span, figure
    )
