"""What goes wrong at a site and how much it matters: leaks and chemicals first, then dry days times units, then lateness.

A unit that runs dry or does not drip is smelled within days; one that is only late may still hold liquid. So a site is
weighed by what its restrooms go through, and lateness decides between sites that are equal in that.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from servicing.rules.due import Band, DueSegment, band_on

SAFETY_REPORTS = frozenset({"leak", "chemical"})
LEAK_MODE = "ELU"
_WORST_FIRST = (Band.LONG_PAST, Band.PAST_GRACE, Band.IN_GRACE, Band.AHEAD, Band.STANDSTILL, Band.NONE)


@dataclass(frozen=True, slots=True)
class UnitSigns:
    """What is known of one installed unit on a day: the segment that holds, its outlook, and its faults.

    ``down_since`` is the day of its oldest fault that keeps it from dripping; ``leaks`` an open fault of that kind.
    """

    segment: DueSegment | None
    dry_on: date | None = None
    dry_soon_from: date | None = None
    wick_watch_from: date | None = None
    drift_since_on: date | None = None
    down_since: date | None = None
    leaks: bool = False


@dataclass(frozen=True, slots=True)
class SiteHarm:
    """A site on a day. ``out``: units that drip no more; ``out_unit_days`` their days without, summed.

    ``soon``: units that still drip and run dry within the operator's days; ``soon_on`` the first of those days.
    ``off``: units that let through less or more than they should, those that drip no more left out.
    ``due_on`` is the oldest open due day.
    """

    units: int = 0
    safety_reports: int = 0
    other_reports: int = 0
    leaks: int = 0
    out: int = 0
    out_unit_days: int = 0
    out_since: date | None = None
    soon: int = 0
    soon_on: date | None = None
    off: int = 0
    long_past: int = 0
    past_grace: int = 0
    in_grace: int = 0
    watched: int = 0
    band: Band = Band.NONE
    due_on: date | None = None
    not_admitted: bool = False

    @property
    def is_safety(self) -> bool:
        """Whether liquid may be where people touch it: an open report of a leak or a chemical, or an open leak."""
        return bool(self.safety_reports or self.leaks)

    @property
    def late(self) -> int:
        """Units past grace, the long past ones included."""
        return self.past_grace + self.long_past

    @property
    def needs_someone(self) -> bool:
        """Whether somebody has to go there; a wick to watch alone waits for the next visit."""
        return bool(
            self.is_safety
            or self.other_reports
            or self.out
            or self.soon
            or self.off
            or self.late
            or self.in_grace
            or self.not_admitted
        )


def out_since(signs: UnitSigns, today: date) -> date | None:
    """The first day on which a unit dripped no more: run dry by its dry date, or down; None while it drips."""
    days = [day for day in (signs.dry_on, signs.down_since) if day is not None and day <= today]
    return min(days, default=None)


def days_out(since: date, today: date) -> int:
    """Days without a drip, the first and today both counted."""
    return (today - since).days + 1


def weigh(
    units: Iterable[UnitSigns],
    today: date,
    *,
    safety_reports: int = 0,
    other_reports: int = 0,
    not_admitted: bool = False,
) -> SiteHarm:
    """All units of one site, weighed. Where nothing is due (a standstill, no agreement) only a leak counts."""
    signs = list(units)
    bands = [(one, band_on(one.segment, today)) for one in signs]
    open_ones = [one for one, band in bands if band not in {Band.STANDSTILL, Band.NONE}]
    count = {band: sum(found is band for _, found in bands) for band in _WORST_FIRST}
    out = [since for one in open_ones if (since := out_since(one, today)) is not None]
    soon = [
        one.dry_on
        for one in open_ones
        if one.dry_on is not None
        and one.dry_soon_from is not None
        and one.dry_soon_from <= today
        and out_since(one, today) is None
    ]
    return SiteHarm(
        units=len(signs),
        safety_reports=safety_reports,
        other_reports=other_reports,
        leaks=sum(one.leaks for one in signs),
        out=len(out),
        out_unit_days=sum(days_out(since, today) for since in out),
        out_since=min(out, default=None),
        soon=len(soon),
        soon_on=min(soon, default=None),
        off=sum(
            one.drift_since_on is not None and one.drift_since_on <= today and out_since(one, today) is None
            for one in open_ones
        ),
        long_past=count[Band.LONG_PAST],
        past_grace=count[Band.PAST_GRACE],
        in_grace=count[Band.IN_GRACE],
        watched=sum(one.wick_watch_from is not None and one.wick_watch_from <= today for one in open_ones),
        band=next((band for band in _WORST_FIRST if count[band]), Band.NONE),
        due_on=min(
            (one.segment.due_on for one in open_ones if one.segment and one.segment.due_on), default=None
        ),
        not_admitted=not_admitted,
    )


def worst_first(harm: SiteHarm) -> tuple[int, ...]:
    """The sort key of sites: what may hurt somebody, dry unit-days, what runs dry, what drips wrongly, what is late."""
    return (
        -(harm.safety_reports + harm.leaks),
        -harm.out_unit_days,
        -harm.soon,
        -harm.off,
        -harm.long_past,
        -harm.past_grace,
        -harm.other_reports,
        -int(harm.not_admitted),
        -harm.in_grace,
        -harm.watched,
    )
