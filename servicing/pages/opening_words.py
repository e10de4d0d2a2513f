"""What is known of a unit from before its operator began, in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any
from uuid import UUID

from accounts.languages import N_, _, _n
from accounts.phrases import day, dose, volume

_CONDITIONS = {
    "good": N_("its wick good"),
    "slow": N_("its wick slow"),
    "failed": N_("its wick failed"),
}


def opened(payload: Any, place: str, cartridges: Mapping[UUID, str]) -> str:
    """What an opening says, in one line."""
    values = {"day": day(payload.as_of), "place": place}
    if known := ", ".join(_known(payload, cartridges)):
        return _("Opening state of {day}: it hung at {place}; {known}.", known=known, **values)
    return _("Opening state of {day}: it hung at {place}; nothing else was known of it.", **values)


def _known(payload: Any, cartridges: Mapping[UUID, str]) -> Iterator[str]:
    if payload.installed_on is not None:
        yield _("put up on {day}", day=day(payload.installed_on))
    if payload.last_exchange_on is not None:
        yield _("last exchange on {day}", day=day(payload.last_exchange_on))
    if payload.cartridge_id is not None:
        name = cartridges.get(payload.cartridge_id) or _("cartridge")
        yield _("{cartridge} with {volume} put in", cartridge=name, volume=volume(payload.charge_ml))
    if payload.left_ml is not None:
        yield _("{volume} left in it", volume=volume(payload.left_ml))
    if payload.wick_fitted_on is not None:
        yield _("its wick fitted on {day}", day=day(payload.wick_fitted_on))
    if payload.wick_condition is not None:
        yield _(_CONDITIONS[payload.wick_condition])
    if payload.reservoir_cleaned_on is not None:
        yield _("its reservoir cleaned on {day}", day=day(payload.reservoir_cleaned_on))
    if payload.dose_ml_per_day is not None:
        yield _("set to {dose}", dose=dose(payload.dose_ml_per_day))


def since_before(opened_on: date, said_installed_on: date | None) -> str:
    """That a unit hung already when its operator began, on a unit's page."""
    if said_installed_on is not None:
        said = N_(
            "It hung already when it was entered here on {day}; it is said to have been put up on {put_up}."
        )
        return _(said, day=day(opened_on), put_up=day(said_installed_on))
    return _(
        "It hung already when it was entered here on {day}; when it was put up is not known.",
        day=day(opened_on),
    )


def least_wick_age(days: int, opened_on: date) -> str:
    """Of a wick that was in before the operator began, and that nobody knows the age of."""
    return _n(
        "The age of its wick is not known (it was fitted before {day}): at least {count} day.",
        "The age of its wick is not known (it was fitted before {day}): at least {count} days.",
        days,
        day=day(opened_on),
    )
