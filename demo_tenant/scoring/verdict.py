"""All scores of a world, each with its target."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from demo_tenant.operators import OPERATORS
from demo_tenant.presets import PRESETS, span_of
from demo_tenant.scoring.false_alarms import realised_false_alarms
from demo_tenant.scoring.judging import Judged, Laid, Say, judge
from demo_tenant.scoring.scores import Score, coverage, median_error, reliability, width
from demo_tenant.scoring.weibull_coverage import weibull_coverage
from demo_tenant.scoring.wick_policies import Bill
from demo_tenant.setting import Setting

DEAD_FOUND = 0.95
BUDGET_WITHIN = 0.10
SOUND_VISITS = 2_000_000
WEIBULL = (0.93, 0.97)
WEIBULL_SEEDS = 200


def world_scores(preset: str, as_of: date, seed: str, say: Say) -> list[Score]:
    """Every operator of the world judged, operator by operator, so that only one story is held at a time."""
    chosen = PRESETS[preset]
    judged = [judge(Setting(plan, chosen, span_of(chosen, as_of), seed), say) for plan in OPERATORS]
    return [*dry_scores(judged), dead_wick_score(judged), *policy_scores(judged)]


def simulated_scores(say: Say, visits: int = SOUND_VISITS, seeds: int = WEIBULL_SEEDS) -> list[Score]:
    """The two scores that need no world."""
    alarms = false_alarm_score(visits)
    say(f"{alarms.of:,} visits of sound units simulated.")
    lives = weibull_score(seeds)
    say(f"{lives.of:,} fleets of wicks simulated.")
    return [alarms, lives]


def dry_scores(judged: Sequence[Judged]) -> Iterator[Score]:
    """Of the dry dates: intervals by operator and overall, their width, chances, and the error of the middle."""
    for one in judged:
        yield _coverage(f"dry date 80 % interval, {one.slug}", [one.laid])
    laid_all = [one.laid for one in judged]
    yield _coverage("dry date 80 % interval, all", laid_all)
    ends = _all(laid_all, "earliest"), _all(laid_all, "latest")
    truth = _truth(laid_all)
    oracle = _all(laid_all, "oracle_earliest"), _all(laid_all, "oracle_latest")
    yield width("interval width against the oracle's", ends, oracle)
    stated = np.concatenate([part for laid in laid_all for part in laid.stated])
    happened = np.concatenate([part for laid in laid_all for part in laid.happened])
    yield reliability("chance of being dry by a day", stated, happened)
    read = np.concatenate([part for laid in laid_all for part in laid.own_readings]) > 0
    yield median_error(
        "dry date error against nominal days",
        _all(laid_all, "median")[read],
        _all(laid_all, "nominal")[read],
        truth[read],
    )


def _coverage(name: str, laid: Sequence[Laid]) -> Score:
    return coverage(name, _all(laid, "earliest"), _all(laid, "latest"), _truth(laid))


def _all(laid: Sequence[Laid], name: str) -> NDArray[np.float64]:
    return np.concatenate([part for one in laid for part in getattr(one, name)])


def _truth(laid: Sequence[Laid]) -> NDArray[np.float64]:
    return _all(laid, "dry_days")


def dead_wick_score(judged: Sequence[Judged]) -> Score:
    """Found in the levels alone: by the drift chart or by how much was left."""
    visits = sum(one.dead.visits for one in judged)
    share = sum(one.dead.by_levels for one in judged) / visits if visits else 0.0
    beside = {
        "by_any_advice": round(sum(one.dead.by_any_advice for one in judged) / visits, 4) if visits else None,
        "unread_and_left_out": sum(one.dead.unread for one in judged),
    }
    return Score(
        "dead wicks found in the levels", share, f"at least {DEAD_FOUND}", share >= DEAD_FOUND, visits, beside
    )


def policy_scores(judged: Sequence[Judged]) -> Iterator[Score]:
    """What following the advice costs over the cheaper of the two plain rules, by operator and overall."""
    for one in judged:
        yield _policy_score(f"wick advice against rules, {one.slug}", one.bills, one.wicks)
    names = judged[0].bills
    together = {name: _sum([one.bills[name] for one in judged]) for name in names}
    yield _policy_score("wick advice against rules, all", together, sum(one.wicks for one in judged))


def _policy_score(name: str, bills: dict[str, Bill], wicks: int) -> Score:
    advice = bills["advice"].per_wick_year
    rules = {rule: bills[rule].per_wick_year for rule in ("at_twelve_months", "run_to_failure")}
    beside: dict[str, Any] = {
        f"{rule}_per_wick_year": _money(bill.per_wick_year) for rule, bill in bills.items()
    }
    beside |= {f"saved_against_{rule}": _money(cost - advice) for rule, cost in rules.items()}
    beside |= {
        "changes": bills["advice"].changes,
        "failures": bills["advice"].failures,
        "washes": bills["advice"].washes,
    }
    ratio = advice / min(rules.values()) if wicks else float("inf")
    return Score(name, ratio, "below 1", ratio < 1, wicks, beside)


def _money(amount: float) -> float | None:
    return round(amount, 2) if math.isfinite(amount) else None


def _sum(bills: Sequence[Bill]) -> Bill:
    return Bill(
        sum(one.cost for one in bills),
        sum(one.wick_years for one in bills),
        sum(one.changes for one in bills),
        sum(one.failures for one in bills),
        sum(one.washes for one in bills),
    )


def false_alarm_score(visits: int) -> Score:
    """The budget that is missed by most."""
    found = realised_false_alarms(7, visits)
    budgets = found["budgets"]
    worst = max(abs(one["ratio"] - 1) for one in budgets)
    beside = {f"per_1000_{one['per_1000_visits']:g}": round(one["ratio"], 4) for one in budgets}
    return Score(
        "false alarms off their budget",
        worst,
        f"at most {BUDGET_WITHIN}",
        worst <= BUDGET_WITHIN and found["visits"] >= visits,
        found["visits"],
        beside,
    )


def weibull_score(seeds: int) -> Score:
    """Of scale, shape and the age by which a tenth have failed, the one whose intervals hold the truth least as they say."""
    found = weibull_coverage(seeds)
    low, high = WEIBULL
    shares = {name: round(share, 4) for name, share in found["coverage"].items()}
    worst = max(found["coverage"].values(), key=lambda share: abs(share - 0.95))
    ok = all(low <= share <= high for share in found["coverage"].values())
    return Score(
        "wick life 95 % intervals hold the truth", worst, f"{low} to {high}", ok, found["fleets"], shares
    )
