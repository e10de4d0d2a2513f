"""How long wicks last, how doses differ and how well the service is kept: the operator's figures, each with its sureness."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot

from django.http import HttpResponse
from django.shortcuts import render

from accounts import tenancy
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from servicing.pages.curves import ageing_picture, wick_picture
from servicing.queries import forecasting
from servicing.queries.forecasting import DOSE
from servicing.queries.service_figures import ServiceFigures, service_figures
from servicing.queries.wick_figures import WickFigures, wick_figures
from servicing.rules.forecasting.fits import PRIORS, DoseFits, dose_fits_of
from servicing.rules.service_level import AGEING_UNTIL_DAYS

SPANS = (30, 90, 365)
LEVEL_WORDS = {
    "site": N_("at sites of the kind {level}"),
    "hardness": N_("in water that is {level}"),
    "liquid": N_("with liquid of the kind {level}"),
}


@dataclass(frozen=True, slots=True)
class Shift:
    """A level in words, and how long its wicks last in per cent of the typical one's."""

    words: str
    percent: int
    low: int
    high: int


@operator_page(Permission.FIGURES_READ)
def figures(request: OperatorRequest) -> HttpResponse:
    asked = request.GET.get("days", "")
    days = int(asked) if asked in {str(one) for one in SPANS} else 90
    with tenancy.reading(request.actor):
        wicks = wick_figures()
        dose = forecasting.live_fit(DOSE)
        service = service_figures(days)
    page = {
        "wicks": wicks,
        "wick_picture": wick_picture(wicks),
        "shifts": _shifts(wicks),
        "dose": dose,
        "doses": _doses(dose_fits_of(dose.parameters) if dose else PRIORS.dose),
        "service": service,
        "ageing_picture": ageing_picture(service.ageing),
        "still_open": _still_open(service),
        "days": days,
        "spans": SPANS,
    }
    return render(request, "servicing/figures.html", page)


def _shifts(wicks: WickFigures) -> list[Shift]:
    found = []
    for one in wicks.shifts:
        factor, value = one.level.split(":", 1)
        words = _(LEVEL_WORDS[factor], level=_(value.replace("_", " ")))
        found.append(Shift(words, *(round(100 * each) for each in (one.factor, one.low, one.high))))
    return found


@dataclass(frozen=True, slots=True)
class DoseWords:
    """In per cent of the nominal dose: what is typical, what four units of five lie between, and the season's swing."""

    typical: int
    low: int
    high: int
    visit: int
    season: int
    is_prior: bool
    readings: int
    units: int


def _doses(fits: DoseFits) -> DoseWords:
    fit = fits.fit
    reach = 1.2816 * fit.between_sd
    return DoseWords(
        typical=round(100 * exp(fit.mean)),
        low=round(100 * exp(fit.mean - reach)),
        high=round(100 * exp(fit.mean + reach)),
        visit=round(100 * fit.visit_sd),
        season=round(100 * hypot(*fit.season)),
        is_prior=fits.is_prior,
        readings=fit.readings,
        units=fit.units,
    )


def _still_open(service: ServiceFigures) -> list[tuple[str, int]]:
    """The spells not over yet, by how long they have been past grace."""
    bounds = AGEING_UNTIL_DAYS
    words = [
        _("{low} to {high} days", low=low + 1, high=high)
        for low, high in zip((0, *bounds), bounds, strict=False)
    ]
    return list(zip((*words, _("over {days} days", days=bounds[-1])), service.ageing.still_open, strict=True))
