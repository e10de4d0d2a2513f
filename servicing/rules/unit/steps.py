"""What each type of event does to the history of its unit."""

from __future__ import annotations

import dataclasses
from typing import Any

from servicing.rules import balance, opening
from servicing.rules.balance import epoch_s, marked
from servicing.rules.unit.history import UnitHistory

KEPT_WICKS = 6

Said = dict[str, Any]

# What of a unit outlives its withdrawal.
_KEPT = ("reports", "closed_before_received", "acknowledged", "findings", "wick_lives")


def install(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    if history.is_installed:
        history.findings.append(["installed_twice", event_id, at])
        history.station_id = said["station_id"]
        return
    _begin(history, at, said["station_id"])
    if said["wick"] == "new":
        history.wick_since, history.wick_good_s = at, epoch_s(at)
    _charge(history, said["cartridge_id"], said["charge_ml"], 0, at)


def _begin(history: UnitHistory, at: str, station_id: str) -> None:
    """A life of its own begins: nothing of an earlier one is left but what outlives it."""
    kept = {name: getattr(history, name) for name in _KEPT}
    for f in dataclasses.fields(history):
        setattr(
            history, f.name, f.default if f.default_factory is dataclasses.MISSING else f.default_factory()
        )
    for name, value in kept.items():
        setattr(history, name, value)
    history.ever_installed = True
    history.installed_at = at
    history.station_id = station_id


def open_unit(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    """What was known of a unit that hung already; where the log knows it, that is no news but a contradiction."""
    if history.ever_installed:
        is_twice = history.is_installed and history.opened_at is not None
        history.findings.append(["opened_twice" if is_twice else "opened_after_installed", event_id, at])
        return
    _begin(history, at, said["station_id"])
    history.opened_at, history.said_installed_on = at, said.get("installed_on")
    history.set_dose_ml_per_day = said.get("dose_ml_per_day")
    history.last_exchange_at = opening.moment(at, said, "last_exchange_on")
    history.reservoir_cleaned_at = opening.moment(at, said, "reservoir_cleaned_on")
    history.cartridge_id, history.charge_ml = said.get("cartridge_id"), said.get("charge_ml")
    if history.charge_ml is not None and history.last_exchange_at is not None:
        history.charged_at = history.level_at = history.last_exchange_at
        history.level_ml = history.charge_ml
    if "left_ml" in said:
        history.level_ml, history.level_at = said["left_ml"], at
    _open_wick(history, at, said)


def _open_wick(history: UnitHistory, at: str, said: Said) -> None:
    since, condition = opening.moment(at, said, "wick_fitted_on"), said.get("wick_condition")
    if since is not None:
        history.wick_since, history.wick_good_s, history.wick_entered_at = since, epoch_s(since), at
    if condition is None:
        return
    history.wick_condition, history.wick_checked_at = condition, at
    if condition == "failed":
        history.wick_failed_s, history.marks = epoch_s(at), "w"
    else:
        history.wick_good_s = epoch_s(at)


def _charge(history: UnitHistory, cartridge_id: str, charge_ml: int, reservoir_ml: int, at: str) -> None:
    history.cartridge_id = cartridge_id
    history.charge_ml = charge_ml
    history.reservoir_after_ml = reservoir_ml
    history.charged_at = at
    history.level_ml = charge_ml + reservoir_ml
    history.level_at = at
    history.wiped_out_ml, history.is_cleaned, history.marks = 0, False, ""


def move(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.station_id = said["station_id"]


def withdraw(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.withdrawn_at = at
    _end_wick(history, at)
    history.open_faults = {}


def exchange(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    _balance(history, at, event_id, said)
    history.left_at_exchange_ml = said.get("cartridge_left_ml")
    history.last_exchange_at = at
    _charge(history, said["cartridge_id"], said["charge_ml"], said.get("reservoir_after_ml") or 0, at)
    # A dry unit that is filled runs again; a plugged or leaking one does not by that alone.
    history.open_faults.pop("NOO", None)


def _balance(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    """The mass balance of the interval that this exchange ends."""
    left, before = said.get("cartridge_left_ml"), said.get("reservoir_before_ml")
    _compare_levels(history, at, event_id, left, before)
    if history.charge_ml is None:
        return
    filled = (history.charge_ml, history.reservoir_after_ml)
    if balance.is_more_than_filled(*filled, left, before, history.wiped_out_ml):
        history.findings.append(["more_left_than_filled", event_id, at])
        left = before = None
    if history.charged_at is None:
        return
    seconds = balance.seconds_between(history.charged_at, at)
    is_from_opening = history.opened_at is not None and history.charged_at <= history.opened_at
    if seconds >= (balance.LEAST_FROM_A_DAY_S if is_from_opening else 1):
        read = [epoch_s(at), seconds, sum(filled), left, before, history.wiped_out_ml, history.marks]
        history.intervals = [*history.intervals[-(balance.KEPT_INTERVALS - 1) :], read]


def _compare_levels(
    history: UnitHistory, at: str, event_id: str, left_ml: int | None, reservoir_ml: int | None
) -> None:
    # Where it was wiped since the last charge, it may have been read after that.
    if not history.is_cleaned and balance.is_dry_while_fed(left_ml, reservoir_ml):
        history.findings.append(["level_contradicts", event_id, at])


def level(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.level_ml = said["cartridge_left_ml"] + said["reservoir_ml"]
    history.level_at = at
    _compare_levels(history, at, event_id, said["cartridge_left_ml"], said["reservoir_ml"])


def check_wick(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.wick_condition = said["condition"]
    history.wick_checked_at = at
    if said["condition"] != "failed":
        history.wick_good_s, history.wick_failed_s = epoch_s(at), None
        return
    history.marks = marked(history.marks, "w")
    if history.wick_failed_s is None:
        history.wick_failed_s = epoch_s(at)


def wash_wick(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.wick_washed_at = at
    history.wick_condition = None
    history.wick_failed_s = None


def change_wick(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    if said["reason"] == "failed" and history.wick_failed_s is None:
        history.wick_failed_s = epoch_s(at)
    _end_wick(history, at)
    history.wick_since, history.wick_good_s, history.wick_failed_s = at, epoch_s(at), None
    history.wick_entered_at = None
    history.wick_condition = None
    history.wick_washed_at = None
    history.marks = marked(history.marks, "w")
    history.open_faults.pop("LOO", None)


def _end_wick(history: UnitHistory, at: str) -> None:
    """The wick that was in until now joins the lives, if its beginning was seen; none lives less than a second."""
    if history.wick_entered_at is not None:
        return
    if history.wick_since is None or epoch_s(history.wick_since) >= epoch_s(at):
        return
    life = [epoch_s(history.wick_since), history.wick_good_s, history.wick_failed_s, epoch_s(at)]
    history.wick_lives = [*history.wick_lives[-(KEPT_WICKS - 1) :], life]


def clean_reservoir(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    wiped = said.get("wiped_out_ml") or 0
    history.reservoir_cleaned_at = at
    history.wiped_out_ml += wiped
    history.is_cleaned = True
    if history.level_ml is not None:
        history.level_ml = max(0, history.level_ml - wiped)


def set_dose(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.set_dose_ml_per_day = said["dose_ml_per_day"]
    # What it dripped at another setting says nothing of this one.
    history.intervals = []
    history.marks = marked(history.marks, "d")


def clear_outlet(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.outlet_cleared_at = at
    history.marks = marked(history.marks, "o")
    if said["drips_again"]:
        history.open_faults.pop("PLU", None)


def stop_leak(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.marks = marked(history.marks, "l")
    history.open_faults.pop("ELU", None)


def find_fault(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.marks = marked(history.marks, balance.FAULT_MARKS.get(said["mode"], ""))
    history.open_faults.setdefault(said["mode"], at)


def close_fault(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.open_faults.pop(said["mode"], None)


def receive_report(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    if event_id in history.closed_before_received:
        history.closed_before_received.remove(event_id)
    else:
        history.reports[event_id] = [said["kind"], at]


def close_report(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    if history.reports.pop(said["report_event_id"], None) is None:
        # Its clock ran behind: the report comes later in the order, and is closed when it does.
        history.closed_before_received.append(said["report_event_id"])


def acknowledge(history: UnitHistory, at: str, event_id: str, said: Said) -> None:
    history.acknowledged[f"{said['kind']}/{said['first_day']}"] = at
