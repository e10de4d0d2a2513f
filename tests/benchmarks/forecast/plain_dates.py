"""The arithmetic of dry dates as one plain numpy pass: no checks, no chunks, nothing kept but the dates themselves."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfcx, ndtr, ndtri

from servicing.rules.dose.model import DoseFit
from servicing.rules.dose.readings import DISTURBED, MISSING, READ, Readings
from servicing.rules.drying import LEVEL_SD_ML

Floats = NDArray[np.float64]
# Hazard a day, the share that drips after a failure, and stops a day.
Slow = tuple[Floats, Floats, Floats]
YEAR, LONGEST = 365.25, 3_650.0


def season(fit: DoseFit, day: Floats) -> Floats:
    phase = 2 * np.pi / YEAR * day
    return fit.season[0] * np.sin(phase) + fit.season[1] * np.cos(phase)


def moments(low: Floats, high: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of a standard normal between bounds, of which one may be open."""
    flipped = low + high < 0
    near, far = np.where(flipped, -high, low), np.where(flipped, -low, high)
    decay = np.where(np.isfinite(far), np.exp(-0.5 * (far - near) * (far + near)), 0.0)
    mass = np.sqrt(np.pi / 2) * (
        erfcx(near / np.sqrt(2)) - decay * erfcx(np.where(decay > 0, far, 0) / np.sqrt(2))
    )
    mean = (1 - decay) / mass
    variance = 1 + (near - decay * np.where(decay > 0, far, 0)) / mass - mean * mean
    return np.where(flipped, -mean, mean), variance


def posterior(readings: Readings, nominal: Floats, fit: DoseFit) -> tuple[Floats, Floats]:
    mean, var = np.full(len(nominal), fit.mean), np.full(len(nominal), fit.between_sd**2)
    for slot in range(readings.slots):
        kind = readings.kind[:, slot]
        low, high, days = readings.low_ml[:, slot], readings.high_ml[:, slot], readings.days[:, slot]
        usual = days * nominal
        shift = season(fit, readings.ended_day[:, slot] - 0.5 * days)
        narrow = (kind == READ) & (high - low <= 0.25 * (high + low))
        share = np.minimum((high - low) / (usual * np.exp(mean + shift)), 1.0)
        eye = np.where(narrow, share * share / 12, 0.0)
        spread = var + fit.visit_sd**2 + eye
        error = np.where(narrow, np.log(0.5 * (low + high) / usual) - shift + 0.5 * eye - mean, 0.0)
        gain = np.where(narrow & (np.abs(error) <= 4 * np.sqrt(spread)), var / spread, 0.0)
        at = np.flatnonzero((kind != MISSING) & (kind != DISTURBED) & ~narrow)
        sd = np.sqrt(var[at] + fit.visit_sd**2)
        usual, centre = usual[at], shift[at] + mean[at]
        middle, left = moments(
            (np.log(low[at] / usual) - centre) / sd, (np.log(high[at] / usual) - centre) / sd
        )
        weight = np.where(np.abs(middle) <= 4, var[at] / (sd * sd), 0.0)
        mean[at] += weight * sd * middle
        var[at] *= 1 - weight * (1 - left)
        mean += gain * error
        var *= 1 - gain
    return mean, var


def delay(x: Floats, days: Floats, sd: Floats, mean_days: Floats, slow: Slow) -> Floats:
    (hazard, share, stops), chance = slow, ndtr(x)
    within = mean_days * ndtr(x - sd)
    to_stop = np.minimum(within / chance, days)
    first = x + np.log(share) / sd
    to_slow = (within - mean_days * ndtr(first - sd) - share * days * (chance - ndtr(first))) / (
        chance * (1 - share)
    )
    return hazard * np.clip(to_slow, 0, to_stop) + stops * to_stop


def halved(quantile: float, middle: Floats, sd: Floats, mean_days: Floats, slow: Slow) -> Floats:
    low, high = np.minimum(middle, np.log(LONGEST)), np.full(len(middle), np.log(LONGEST))
    for _ in range(24):
        half = 0.5 * (low + high)
        x = (half - middle) / sd
        enough = ndtr(x) * np.exp(-delay(x, np.exp(half), sd, mean_days, slow)) >= quantile
        low, high = np.where(enough, low, half), np.where(enough, half, high)
    return np.exp(high)


def dry_dates(
    readings: Readings,
    nominal: Floats,
    fit: DoseFit,
    slow: Slow,
    level_day_until: tuple[Floats, Floats, Floats],
) -> Floats:
    """(4, U): days until dry at 10, 50 and 90 %, and the chance of being dry ``until`` days from the level's reading."""
    level, day, until = level_day_until
    mean, var = posterior(readings, nominal, fit)
    own = np.log(nominal) + mean
    sd = np.sqrt(var + fit.visit_sd**2 + (LEVEL_SD_ML / level) ** 2)
    middle = np.log(level) - own - season(fit, day + 0.5 * level * np.exp(-own))
    mean_days = np.exp(middle + 0.5 * sd * sd)
    out = np.empty((4, len(level)))
    for row, quantile in enumerate((0.1, 0.5, 0.9)):
        x = np.full(len(level), ndtri(quantile))
        for _ in range(3):
            needed = quantile * np.exp(delay(x, np.exp(middle + x * sd), sd, mean_days, slow))
            x = ndtri(np.minimum(needed, 0.995))
        out[row] = np.exp(middle + x * sd)
        late = np.flatnonzero(needed >= 0.995)
        some = (slow[0][late], slow[1][late], slow[2][late])
        out[row, late] = halved(quantile, middle[late], sd[late], mean_days[late], some)
    x = (np.log(until) - middle) / sd
    out[3] = ndtr(x) * np.exp(-delay(x, until, sd, mean_days, slow))
    return np.minimum(out, LONGEST)
