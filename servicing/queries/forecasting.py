"""The operator's fits: those that forecasts are made with, and those before them."""

from __future__ import annotations

from functools import lru_cache
from uuid import UUID

from django.db import connection
from django.db.models import QuerySet

from accounts.tenancy import current_operator_id
from servicing.models import Fit
from servicing.rules.dose.model import METHOD as DOSE_METHOD
from servicing.rules.forecasting.fits import PRIORS, Fits, dose_fits_of, wick_fits_of
from servicing.rules.lifetimes.wick_life import METHOD as WICK_METHOD

DOSE, WICK = "dose", "wick"
# A fit of an older method says something else: until the next night's fits are made, priors hold in its place.
METHODS = {DOSE: DOSE_METHOD, WICK: WICK_METHOD}
# Of each kind, so that a page can show how a fit has moved; the older ones go.
KEPT_FITS = 30


def fits() -> QuerySet[Fit]:
    """The live fits and those before them, the latest first."""
    return Fit.objects.order_by("-made_at", "-position", "-id")


def live_fit(kind: str) -> Fit | None:
    """The fit of a kind that holds now, None where priors do."""
    return fits().filter(kind=kind, method=METHODS[kind]).first()


def live_fits() -> Fits:
    """The operator's fits that hold now; priors where it has none."""
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {LIVE_SQL}", {"operator": current_operator_id()})
        return fits_of(*cursor.fetchone())


# The ids of the live fits, of doses and of wicks: two columns to be selected.
LIVE_SQL = ", ".join(
    f"(SELECT id FROM servicing_fit WHERE operator_id = %(operator)s AND kind = '{kind}' "
    f"AND method = '{method}' ORDER BY made_at DESC, position DESC, id DESC LIMIT 1)"
    for kind, method in METHODS.items()
)


def fits_of(dose_id: UUID | None, wick_id: UUID | None) -> Fits:
    """The fits of these ids. Each is read and understood once a process: a fit never changes."""
    return PRIORS if dose_id is None and wick_id is None else _fits(dose_id, wick_id)


@lru_cache(maxsize=512)
def _fits(dose_id: UUID | None, wick_id: UUID | None) -> Fits:
    stored = dict(Fit.objects.filter(id__in=[dose_id, wick_id]).values_list("id", "parameters"))
    return Fits(
        dose=dose_fits_of(stored[dose_id]) if dose_id else PRIORS.dose,
        wick=wick_fits_of(stored[wick_id]) if wick_id else PRIORS.wick,
    )


def group_of(site_kind: str, cartridge_code: str) -> str:
    """The units whose doses resemble each other: those at one kind of site with one cartridge."""
    return f"{site_kind}/{cartridge_code}"
