"""Forecasts of one operator's units, month after month, laid beside the truth."""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from demo_tenant.scoring.cuts import Cut, cuts_of
from demo_tenant.scoring.dead_wicks import DeadWick, dead_wicks, history_ahead_of_the_look
from demo_tenant.scoring.files import Files
from demo_tenant.scoring.known import WickLore, heard_of
from demo_tenant.scoring.oracle import oracle_fits
from demo_tenant.scoring.truth import Onlooker, tell_watched
from demo_tenant.scoring.wick_policies import (
    Bill,
    Prices,
    at_twelve_months,
    replay,
    run_to_failure,
    true_lives_days,
)
from demo_tenant.setting import Setting
from demo_tenant.story import Story
from demo_tenant.world import MONTH_DAYS
from servicing.queries.rehearsal import (
    Facts,
    Fits,
    ForecastTerms,
    Heard,
    Known,
    Rehearsed,
    advise_wicks,
    learn,
    rehearse,
    rows_of,
)

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Say = Callable[[str], None]

# What holds for an operator until it sets values of its own.
TERMS = ForecastTerms(
    dry_target=0.10,
    false_alarms_per_1000=2.00,
    wick_change_cost=8.00,
    wick_failure_cost=30.00,
    wick_down_day_cost=0.50,
    wick_wash_cost=3.00,
)
PRICES = Prices(
    change=TERMS.wick_change_cost,
    failure=TERMS.wick_failure_cost,
    down_day=TERMS.wick_down_day_cost,
    wash=TERMS.wick_wash_cost,
)
HORIZONS_DAYS = range(20, 61)
SEEN_IN_LEVELS = ("left_over", "drift")


@dataclass(slots=True)
class Laid:
    """All forecasts of one operator in one row of arrays each, the oracle's beside them, and the truth.

    ``stated`` and ``happened``: the chance of being dry by each horizon, and whether the unit was.
    """

    earliest: list[Floats] = field(default_factory=list)
    median: list[Floats] = field(default_factory=list)
    latest: list[Floats] = field(default_factory=list)
    oracle_earliest: list[Floats] = field(default_factory=list)
    oracle_latest: list[Floats] = field(default_factory=list)
    nominal: list[Floats] = field(default_factory=list)
    own_readings: list[NDArray[np.int64]] = field(default_factory=list)
    dry_days: list[Floats] = field(default_factory=list)
    stated: list[Floats] = field(default_factory=list)
    happened: list[Flags] = field(default_factory=list)

    def lay(self, cut: Cut, known: Sequence[Known], own: Rehearsed, oracle: Rehearsed) -> None:
        truth = np.array([case.dry_days for case in cut.cases], np.float64)
        self.dry_days.append(truth)
        for kept, forecast in (
            (self.earliest, own.earliest),
            (self.median, own.median),
            (self.latest, own.latest),
            (self.oracle_earliest, oracle.earliest),
            (self.oracle_latest, oracle.latest),
        ):
            kept.append(forecast)
        self.own_readings.append(own.n)
        self.nominal.append(
            np.array([(one.level_ml or 0) / facts.nominal_ml_per_day for facts, one in known], np.float64)
        )
        for days in (*HORIZONS_DAYS, _until_due(known)):
            asked = np.broadcast_to(np.asarray(days, np.float64), truth.shape)
            some = asked > 0
            self.stated.append(own.chance_within(np.maximum(asked, 0.0))[some])
            self.happened.append((truth <= asked)[some])


def _until_due(known: Sequence[Known]) -> Floats:
    """Days from the reading of each level to noon of the next due day; 0 where none is to come."""
    return np.array(
        [
            facts.next_on + 0.5 - (at.toordinal() + (at.hour + at.minute / 60) / 24)
            if facts.next_on is not None and (at := _instant(history.level_at)) is not None
            else 0.0
            for facts, history in known
        ],
        np.float64,
    )


def _instant(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


@dataclass(slots=True)
class DeadFound:
    """Of visits that showed a dead wick in what was left: how many, found by levels alone, found by any advice, unread."""

    visits: int = 0
    by_levels: int = 0
    by_any_advice: int = 0
    unread: int = 0


@dataclass(frozen=True, slots=True)
class Judged:
    """One operator's forecasts beside the truth; ``bills`` by the name of the wick policy."""

    slug: str
    laid: Laid
    dead: DeadFound
    bills: dict[str, Bill]
    wicks: int


def judge(setting: Setting, say: Say) -> Judged:
    """Tell the operator's story, forecast it at every cut and lay that beside the truth."""
    story, onlooker = tell_watched(setting)
    say(f"{story.master.legal_name}: told, {len(story.units):,} units.")
    heard, files = heard_of(story), Files(story)
    lore, laid, fits = WickLore(heard), Laid(), {}
    for cut in cuts_of(story, onlooker, heard):
        everything = [(files.facts(unit_id, one), one) for unit_id, one in cut.histories.items()]
        learnt = learn(everything, lore.upto(cut.at))
        fits[cut.at] = learnt
        known = [(files.facts(case.unit_id, case.history), case.history) for case in cut.cases]
        laid.lay(
            cut,
            known,
            rehearse(known, learnt, TERMS),
            rehearse(known, oracle_fits(setting.plan, learnt), TERMS),
        )
    say(f"{story.master.legal_name}: {len(fits)} months forecast.")
    dead = find_dead_wicks(onlooker, heard, files, fits)
    first = min(fits)
    lives = true_lives_days(onlooker.sights.values(), first)
    bills = bill_policies(story, files, lives, fits[first])
    say(f"{story.master.legal_name}: wicks followed.")
    return Judged(setting.plan.slug, laid, dead, bills, len(lives))


def find_dead_wicks(
    onlooker: Onlooker, heard: dict[UUID, list[Heard]], files: Files, fits: dict[datetime, Fits]
) -> DeadFound:
    """Forecast each unit anew at the visit that shows its dead wick, with the fits of the month."""
    found, cuts = DeadFound(), sorted(fits)
    by_cut: dict[datetime, list[Known]] = defaultdict(list)
    for sights in onlooker.sights.values():
        for one in dead_wicks(sights):
            if one.at >= cuts[0]:
                known = _known_at(one, heard, files)
                found.unread += known is None
                by_cut[cuts[bisect_right(cuts, one.at) - 1]] += [] if known is None else [known]
    for at, known_then in by_cut.items():
        for row in rows_of(known_then, fits[at], TERMS):
            by_levels = row["drift"] == "low" or row["wick_reason"] in SEEN_IN_LEVELS
            found.visits += 1
            found.by_levels += by_levels
            found.by_any_advice += by_levels or row["wick_advice"] in {"wash", "change"}
    return found


def _known_at(one: DeadWick, heard: dict[UUID, list[Heard]], files: Files) -> Known | None:
    history = history_ahead_of_the_look(heard.get(one.unit_id, []), one.touch_id)
    if history is None or not history.is_installed:
        return None
    return files.facts(one.unit_id, history), history


def bill_policies(
    story: Story, files: Files, lives: Sequence[tuple[UUID, float]], fits: Fits
) -> dict[str, Bill]:
    """What each policy costs on these wicks; the advice is that of fits made before any of them was fitted.

    A unit of which nothing was sent before the world ended is unknown to the operator and left out.
    """
    kinds = files.of_units(story)
    facts = [kinds[unit_id] for unit_id, _ in lives if unit_id in kinds]
    days = [life for unit_id, life in lives if unit_id in kinds]

    def advised(wicks: NDArray[np.intp], ages: Floats, slow: Flags) -> NDArray[np.int8]:
        asked: list[Facts] = [facts[place] for place in wicks.tolist()]
        return advise_wicks(asked, fits, TERMS, age_days=ages, slow=slow, visits_days=MONTH_DAYS)

    return {
        "advice": replay(days, advised, PRICES),
        "advice_at_once": replay(days, advised, PRICES, at_once=True),
        "at_twelve_months": replay(days, at_twelve_months, PRICES),
        "run_to_failure": replay(days, run_to_failure, PRICES),
    }
