"""The days on which something out of the ordinary happens; each is counted back from the world's last day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from demo_tenant.masterdata import SitePlan
from demo_tenant.setting import Setting

BAD_LOT_LEAKS = 0.25
VANDALISED = 0.6
MISTAKEN_WICK = 0.0008
SLIP_OF_THE_PEN = 0.001


@dataclass(frozen=True, slots=True)
class Beats:
    """``moves_on``: units move to another floor; ``vandals_at``: units are wrecked; a bad lot runs between two days."""

    moves_on: date
    vandals_at: datetime
    bad_lot_from: date
    bad_lot_until: date


def beats_of(setting: Setting) -> Beats:
    """The operator's beats; a short world brings them closer together."""
    as_of, length = setting.span.as_of, setting.span.days
    vandals_on = as_of - timedelta(days=min(130, length // 3))
    return Beats(
        moves_on=as_of - timedelta(days=min(150, length // 2)),
        vandals_at=datetime.combine(vandals_on, time(22), tzinfo=setting.span.ends_at.tzinfo),
        bad_lot_from=as_of - timedelta(days=min(80, length // 2)),
        bad_lot_until=as_of - timedelta(days=45),
    )


def lot_of(setting: Setting, beats: Beats, site: SitePlan, day: date) -> str:
    """The lot a crew takes from on a day at a site: one a month, and the bad one in its town and weeks."""
    if has_bad_lot(setting, beats, site, day):
        return bad_lot_of(setting)
    return f"{setting.plan.prefix}-{day:%y%m}-{1 + site.index % 2}"


def bad_lot_of(setting: Setting) -> str:
    """The lot that leaks."""
    return f"{setting.plan.prefix}-{beats_of(setting).bad_lot_from:%y%m}-9"


def has_bad_lot(setting: Setting, beats: Beats, site: SitePlan, day: date) -> bool:
    return site.town == setting.plan.bad_lot_in and beats.bad_lot_from <= day <= beats.bad_lot_until


def is_vandalised(setting: Setting, site: SitePlan) -> bool:
    return site.town == setting.plan.vandals_in and site.kind == "transit"
