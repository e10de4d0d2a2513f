"""Which planned services were not done, by the operator's own fault, and not made good in time."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from uuid import UUID

from billing.rules.inputs import Inputs, Site
from billing.rules.months import month_of
from billing.rules.places import Stay
from billing.rules.pricing import Cover, cover_on
from billing.rules.terms import Mode

# Modes in which a fee is paid whether or not anybody came; elsewhere what was not done is not charged.
BY_FEE = frozenset({Mode.UNIT_MONTH, Mode.FLAT_SITE, Mode.BASE_PLUS})


@dataclass(frozen=True, slots=True)
class MissedService:
    """A due day of a site: the units that were to be served by ``until``, and those among them that were not.

    ``in_month``: how many due days the site had in that month; the fee is for all of them.
    """

    site: Site
    cover: Cover
    interval_months: int
    due_on: date
    until: date
    planned: frozenset[UUID]
    missed: frozenset[UUID]
    in_month: int = 1


def missed_services(
    inputs: Inputs,
    site: Site,
    stays: Mapping[UUID, Sequence[Stay]],
    exchanges: Mapping[UUID, Collection[date]],
    excused: Collection[date],
) -> Iterator[MissedService]:
    """The site's due days on which a unit went unserved.

    ``stays`` and ``exchanges`` are those at this site, by unit. ``excused``: days on which the crew was not let in, or was
    called off by the customer or the weather; one of them from the opening of a due day until it could last be made good
    clears the operator, and so does a standstill. A unit installed since the opening came filled; one that is gone before
    the last day was not to be served.
    """
    for due in site.due_days:
        cover = cover_on(inputs, site, due.due_on)
        terms = cover.terms if cover is not None else None
        if cover is None or terms is None or not terms.credits_missed or terms.mode not in BY_FEE:
            continue
        until = due.due_on + timedelta(days=terms.make_good_days)
        later = cover_on(inputs, site, until)
        is_over = later is None or later.party_id != cover.party_id
        if (
            is_over
            or any(due.opens_on <= day <= until for day in excused)
            or _is_closed(site, due.due_on, until)
        ):
            continue
        standing = {
            unit_id: since
            for unit_id, own in stays.items()
            if (since := _stood_since(own, due.due_on, until)) is not None
        }
        missed = {
            unit_id
            for unit_id, since in standing.items()
            if since < due.opens_on
            and not any(due.opens_on <= day <= until for day in exchanges.get(unit_id, ()))
        }
        if missed:
            agreement = site.agreement_on(due.due_on)
            interval = agreement.interval_months if agreement is not None else 1
            in_month = sum(month_of(one.due_on) == month_of(due.due_on) for one in site.due_days)
            yield MissedService(
                site, cover, interval, due.due_on, until, frozenset(standing), frozenset(missed), in_month
            )


def _is_closed(site: Site, first: date, last: date) -> bool:
    return any(
        pause.starts_on <= last and (pause.ends_on is None or first <= pause.ends_on)
        for pause in site.standstills
    )


def _stood_since(stays: Sequence[Stay], first: date, last: date) -> date | None:
    """Since when a unit stood at the site that was there on both days and between; None for any other."""
    since: date | None = None
    before: date | None = None
    for stay in stays:
        if since is None or stay.starts_on != before:
            since = stay.starts_on
        before = stay.ends_before
        if since <= first and (before is None or last < before):
            return since
    return None
