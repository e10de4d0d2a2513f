"""What another cartridge or another grace would have come to on the operator's own visits of the last twelve months."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from itertools import pairwise

from fleet import queries as fleet
from servicing.queries import forecasting
from servicing.queries.forecasting import group_of
from servicing.queries.months.due_days import DueDays
from servicing.queries.months.ground import Ground
from servicing.rules.forecasting.fits import DoseFits
from servicing.rules.months import MONTHS
from servicing.rules.what_if import LONGEST_GAP, Doses, Outcome, gaps_at_grace, what_if

# Fewer gaps than this say little of how visits go (judgement).
FEWEST_GAPS = 20
# Beside the usual cartridge: some smaller and larger ones, in parts of it, rounded to 10 mL.
OTHERS = (0.85, 1.0, 1.07, 1.2)


# Days between two exchanges, and how long after its due day each end was done (None: it met none).
Gap = tuple[int, int | None, int | None]


@dataclass(frozen=True, slots=True)
class Trial:
    """``outcomes`` at the grace asked for, the usual cartridge's first at the usual grace (``as_it_is``).

    ``is_assumed``: the doses are still the prior's.
    """

    usual_ml: int
    usual_grace_days: int
    grace_days: int
    gaps: int
    is_assumed: bool
    as_it_is: Outcome
    outcomes: list[Outcome]


def trial_of(
    ground: Ground, due_days: DueDays, *, volume_ml: int | None = None, grace_days: int | None = None
) -> Trial | None:
    """The trade-off for some sizes and one typed; None while there are too few exchanges to go by."""
    found = _gaps(ground, due_days)
    fits = forecasting.live_fits().dose
    doses, usual_ml = _doses(ground, fits)
    times = list(found.values())
    if sum(times) < FEWEST_GAPS or doses is None:
        return None
    usual_grace = _usual_grace(ground)
    grace = usual_grace if grace_days is None else grace_days
    as_it_was, first, last = (list(column) for column in zip(*found, strict=True))
    moved = gaps_at_grace(as_it_was, first, last, grace_days=usual_grace, other_grace_days=grace)
    sizes = {max(10, round(usual_ml * part / 10) * 10) for part in OTHERS} | {usual_ml}
    if volume_ml is not None:
        sizes.add(volume_ml)
    return Trial(
        usual_ml,
        usual_grace,
        grace,
        sum(times),
        fits.is_prior,
        what_if(usual_ml, as_it_was, doses, times),
        [what_if(size, moved, doses, times) for size in sorted(sizes)],
    )


def _gaps(ground: Ground, due_days: DueDays) -> Counter[Gap]:
    """The gaps that ended in the last twelve months of the window, but those that a standstill lies in."""
    found: Counter[Gap] = Counter()
    since, until = int(ground.window.starts[-MONTHS]), ground.window.last_on.toordinal()
    for one in due_days.alike:
        open_before = ground.open_before[one.tenures[0].site]
        delays = {
            kept.met_on.toordinal(): (kept.met_on - kept.due_on).days
            for kept in one.kept
            if kept.met_on is not None
        }
        for first, last in pairwise(one.exchanges):
            gap = last - first
            is_in = since <= last <= until and first >= ground.first_day and 0 < gap <= LONGEST_GAP
            if is_in and open_before[last - ground.first_day] - open_before[first - ground.first_day] == gap:
                found[gap, delays.get(first), delays.get(last)] += len(one.tenures)
    return found


def _doses(ground: Ground, fits: DoseFits) -> tuple[Doses | None, int]:
    """The doses of the units that hang now, and the volume of the cartridge that most of them have."""
    volumes = {one.code: one.volume_ml for one in fleet.cartridges()}
    weights: Counter[float] = Counter()
    sizes: Counter[int] = Counter()
    last = ground.window.last_on.toordinal()
    for tenure in ground.tenures:
        liquid = ground.liquids[tenure.unit]
        if tenure.since <= last < tenure.until and liquid.nominal_ml_per_day and liquid.cartridge in volumes:
            group = group_of(ground.sites[tenure.site].agreed.kind, liquid.cartridge)
            mean = math.log(liquid.nominal_ml_per_day) + fits.fit.groups.get(group, fits.fit.mean)
            weights[round(mean, 3)] += 1
            sizes[volumes[liquid.cartridge]] += 1
    if not sizes:
        return None, 0
    doses = Doses(
        tuple(weights),
        tuple(float(one) for one in weights.values()),
        math.hypot(fits.fit.between_sd, fits.fit.visit_sd),
        math.hypot(*fits.fit.season),
    )
    return doses, sizes.most_common(1)[0][0]


def _usual_grace(ground: Ground) -> int:
    """The days after the due day that most sites' agreements allow."""
    last = ground.window.last_on
    counts = Counter(
        terms.grace_after_days
        for site in ground.sites
        for terms in site.agreed.terms
        if terms.starts_on <= last and (terms.ends_on is None or last < terms.ends_on)
    )
    return counts.most_common(1)[0][0] if counts else 3
