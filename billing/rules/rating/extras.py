"""What hangs on more than one event: the minimum of a visit, the credit for a missed service, the claw-back of a waived fee."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

from accounts.languages import _
from billing.rules.inputs import Basis, Inputs, Item, Site, Version
from billing.rules.missed import MissedService
from billing.rules.money import rounded, smallest
from billing.rules.months import month_after, month_of, whole_months
from billing.rules.places import Happening, Stood
from billing.rules.pricing import Cover, Price, cover_on, price_on
from billing.rules.rating.charges import Charge, Rule, charge_key, charge_of, share, step_for
from billing.rules.rating.events import ONE, Sold, minimum_key
from billing.rules.rating.runs import Run, last_covered
from billing.rules.terms import Mode
from billing.rules.visits import Day

# Modes in which a visit is paid for by what is done in it; elsewhere the fee covers it, and only a call-out has a minimum.
PAID_BY_THE_VISIT = frozenset({Mode.UNIT_SERVICE, Mode.PER_VISIT})


def visit_minimums(run: Run, sold: Mapping[Day, Sold]) -> list[Charge]:
    """A top-up for each day whose lines do not reach the minimum of a visit; before tax, as a charge of its own."""
    found = []
    for day, on_day in sold.items():
        terms, is_call_out = on_day.cover.terms, any(c.rule is Rule.CALL_OUT for c in on_day.charges)
        if terms is None or not terms.visit_minimum or on_day.is_held or not run.window.has(day[1]):
            continue
        if (on_day.charges or on_day.awaited) and (terms.mode in PAID_BY_THE_VISIT or is_call_out):
            top_up = _top_up(run, day, on_day, terms.visit_minimum)
            if top_up is not None:
                found.append(top_up)
    return found


def _top_up(run: Run, day: Day, sold: Sold, price: Decimal) -> Charge | None:
    """What a day's lines lack of the minimum, described and taxed as the first of them; None where they reach it."""
    cover, first = sold.cover, sold.charges[0] if sold.charges else None
    contract_id = cover.contract.id if cover.contract else None
    currency = first.currency if first else run.inputs.entity_of(contract_id).currency
    minimum = rounded(price, currency, step_for(run.inputs, cover, currency))
    lines = sum((charge.amount for charge in sold.charges), Decimal(0))
    if lines >= minimum:
        return None
    month, step = month_of(day[1]), smallest(currency)
    item = Item(
        "visit-minimum",
        _("Up to the minimum of a visit"),
        Basis.VISIT,
        "",
        "",
        (),
        first.tax_class if first else "standard",
        first.revenue_account if first else "",
    )
    charge = charge_of(
        rule=Rule.VISIT_MINIMUM,
        key=minimum_key(run.inputs, cover, day),
        subject_id=day[0],
        # The minimum is a price of the terms, not of the list: it has no version that anybody could look up.
        price=Price(item, Version(day[0], price, currency, day[1], None)),
        cover=cover,
        clause="visit_minimum",
        site=sold.site,
        station=None,
        service_on=day[1],
        days=(month, month_after(month)),
        part=ONE,
        whole=1,
        amount=minimum - lines,
        workings={"lines": f"{lines.quantize(step):f}", "minimum": f"{minimum:f}"},
    )
    charge.price_version_id = None
    return charge


def missed_credits(inputs: Inputs, one: MissedService, fees: Iterable[Charge]) -> list[Charge]:
    """What a missed service gives back of each of these fees: fee x units missed / units planned.

    ``fees``: what the months that the service was for cost. A unit's own fee comes back whole if it was missed.
    """
    found = []
    for fee in fees:
        is_of_unit = fee.rule is Rule.UNIT_MONTH
        planned = one.in_month * (1 if is_of_unit else len(one.planned))
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


def claw_backs(run: Run, installations: Iterable[tuple[Happening, Stood]]) -> list[Charge]:
    """What a site that leaves early pays of each installation that was waived: its fee x months left / months agreed.

    A site whose contract is followed by another the same day has not left.
    """
    found = []
    for happening, stood in installations:
        site = stood.site
        cover = cover_on(run.inputs, site, stood.day) if site is not None else None
        if site is None or cover is None or cover.terms is None or not cover.terms.install_waived:
            continue
        left_on = _left_on(run.inputs, site, stood.day)
        if left_on is not None and run.window.has(left_on - timedelta(days=1)):
            remaining = cover.terms.claw_back_months - whole_months(stood.day, left_on)
            if remaining > 0 and (
                charge := _claw_back(
                    run.inputs, happening, stood, cover, remaining=remaining, left_on=left_on
                )
            ):
                found.append(charge)
    return found


def _left_on(inputs: Inputs, site: Site, day: date) -> date | None:
    """The first day that no contract covers a site any more, counted from one that did; None while that is not known."""
    until: date | None = day
    while until is not None and (cover := cover_on(inputs, site, until)) and cover.contract is not None:
        until = last_covered(inputs, site.id, cover, until)
    return until


def _claw_back(
    inputs: Inputs, happening: Happening, stood: Stood, cover: Cover, *, remaining: int, left_on: date
) -> Charge | None:
    site, station = stood.site, stood.station
    if site is None or cover.terms is None:
        return None
    price = price_on(
        inputs,
        Basis.INSTALL,
        stood.day,
        fixture=station.fixture if station else "",
        contract=cover.contract,
        site_id=site.id,
    )
    if price is None or price.version is None or price.is_missing_index:
        return None
    version, months = price.version, cover.terms.claw_back_months
    last_day = left_on - timedelta(days=1)
    month = month_of(last_day)
    return charge_of(
        rule=Rule.CLAW_BACK,
        key=charge_key(inputs.operator.id, Rule.CLAW_BACK, cover.party_id, happening.event_id, version.id),
        subject_id=happening.subject_id,
        price=price,
        cover=cover,
        clause="claw_back",
        site=site,
        station=station,
        service_on=last_day,
        days=(month, month_after(month)),
        part=Decimal(remaining),
        whole=months,
        amount=share(
            price.amount,
            Decimal(remaining),
            months,
            version.currency,
            step_for(inputs, cover, version.currency),
        ),
        workings={
            "event": str(happening.event_id),
            "fee": f"{price.amount:f}",
            "installed_on": str(stood.day),
            "months": months,
            "remaining": remaining,
        },
        unit_code=inputs.units.get(happening.subject_id, ""),
    )
