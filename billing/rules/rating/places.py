"""The rating of places: sites that shared a unit, with all their units, visits and fees, at once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from uuid import UUID

from billing.rules.inputs import Inputs, Site
from billing.rules.missed import MissedService, missed_services
from billing.rules.months import month_after, month_of, months_later
from billing.rules.places import Footing, Happening, Stay, Stood, in_order, stood_at_site, walk
from billing.rules.rating.charges import Charge, Rated
from billing.rules.rating.events import Selling
from billing.rules.rating.extras import claw_backs, missed_credits, visit_minimums
from billing.rules.rating.runs import Run, Window
from billing.rules.rating.sites import rate_site_months
from billing.rules.rating.units import rate_unit_months
from billing.rules.verdicts import Verdicts
from billing.rules.visits import CALLED_OFF, CALLED_OFF_FOR, EXCHANGED, INSTALLING, NOT_ADMITTED, visit_days


@dataclass(slots=True)
class Work:
    """Sites, and the events of all units that ever hung there, of the sites themselves and of visits to them.

    Sites that shared a unit belong together, since what a unit costs is reckoned over all of its days.
    """

    sites: set[UUID] = field(default_factory=set)
    units: dict[UUID, list[Happening]] = field(default_factory=dict)
    others: dict[UUID, list[Happening]] = field(default_factory=dict)


class _AnyMonth(Window):
    """A window of one month, due or not: what that month costs."""

    __slots__ = ()

    def due(self, cover: object, ends_before: date | None, month: date) -> date | None:
        return month if self.has(month) else None


def rate(
    inputs: Inputs,
    work: Work,
    *,
    first_month: date,
    open_from: date,
    only: Collection[UUID] | None = None,
) -> Rated:
    """Dispositions and charges of some sites' work, and their months from ``first_month`` until ``open_from``.

    The events known at the cut, each with its standing, in any order. ``only``: events to be disposed of and charged for;
    the others merely say where units hung, what was included and what was served (None: all).
    """
    run = Run(inputs, Window(first_month, open_from))
    stood, stays = _walked(inputs, work)
    ordered = in_order(h for group in (work.units, work.others) for own in group.values() for h in own)
    selling = Selling(run, Verdicts(inputs, open_from, visit_days(ordered, stood)), only)
    selling.rate(ordered, stood)
    for unit_id, own in stays.items():
        rate_unit_months(run, unit_id, own)
    under_contract = [inputs.sites[s] for s in sorted(work.sites) if inputs.covers_of(s)]
    if under_contract:
        run.rated.charges += visit_minimums(run, selling.sold)
        installed = [
            (h, stood[h.event_id])
            for h in ordered
            if h.type == INSTALLING and h.event_id in stood and stood[h.event_id].footing is Footing.FIRM
        ]
        run.rated.charges += claw_backs(run, installed)
    for site in under_contract:
        rate_site_months(run, site, _at_site(stays, site))
        run.rated.charges += _credits(run, site, stays, ordered, stood)
    return run.rated


def _walked(inputs: Inputs, work: Work) -> tuple[dict[UUID, Stood], dict[UUID, list[Stay]]]:
    stood: dict[UUID, Stood] = {}
    stays: dict[UUID, list[Stay]] = {}
    for unit_id, happenings in work.units.items():
        done, stays[unit_id] = walk(inputs, happenings)
        stood.update(done)
    for happenings in work.others.values():
        for happening in happenings:
            if happening.standing == "effective":
                stood[happening.event_id] = stood_at_site(inputs, happening)
    return stood, stays


def _at_site(stays: Mapping[UUID, Sequence[Stay]], site: Site) -> list[Stay]:
    return [stay for own in stays.values() for stay in own if stay.station.site_id == site.id]


def _credits(
    run: Run,
    site: Site,
    stays: Mapping[UUID, Sequence[Stay]],
    ordered: Iterable[Happening],
    stood: Mapping[UUID, Stood],
) -> list[Charge]:
    """What a site gets back for services that were missed, as far as the window decides on them."""
    if not site.due_days:
        return []
    here = {
        unit_id: [stay for stay in own if stay.station.site_id == site.id] for unit_id, own in stays.items()
    }
    exchanges: dict[UUID, list[date]] = defaultdict(list)
    excused: list[date] = []
    for happening in ordered:
        place = stood.get(happening.event_id)
        if place is None or place.site is None or place.site.id != site.id:
            continue
        if happening.type == EXCHANGED:
            exchanges[happening.subject_id].append(place.day)
        elif happening.type == NOT_ADMITTED or (
            happening.type == CALLED_OFF and happening.reason in CALLED_OFF_FOR
        ):
            excused.append(place.day)
    found = []
    for one in missed_services(run.inputs, site, here, exchanges, excused):
        if run.window.has(one.until):
            found += missed_credits(run.inputs, one, _fees(run.inputs, one, stays))
    return found


def _fees(inputs: Inputs, one: MissedService, stays: Mapping[UUID, Sequence[Stay]]) -> list[Charge]:
    """What the months that a service is for cost: the month of its due day and the others of its interval before it."""
    charges = []
    for back in range(one.interval_months):
        month = months_later(month_of(one.due_on), -back)
        run = Run(inputs, _AnyMonth(month, month_after(month)))
        rate_site_months(run, one.site, _at_site(stays, one.site))
        for unit_id in sorted(one.missed):
            own = [stay for stay in stays[unit_id] if stay.station.site_id == one.site.id]
            rate_unit_months(run, unit_id, own)
        charges += run.rated.charges
    return [charge for charge in charges if charge.contract_id == one.cover.party_id]
