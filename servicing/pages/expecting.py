"""What a unit is likely to do, and what the next visit should do about it, in whole sentences."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from accounts.languages import N_, _, _n
from accounts.phrases import amount, day
from servicing.models import Outlook
from servicing.rules.due import DueSegment
from servicing.rules.wick_sentence import percent, wick_sentence

_DRIFT = {
    "low": N_("Since {day} it lets through less than expected: the wick does not transfer as it should."),
    "high": N_("Since {day} it lets through more than expected."),
}
_TO_DO = {
    "wash": N_("Wash the wick."),
    "change": N_("Change the wick."),
    "look_for_leak": N_("Look for a leak or a broken seal."),
}
# What the chance of a dry unit comes to, by the advice.
_DRY = {
    "": N_("{chance} chance of running dry before it is due on {due}."),
    "sooner": N_(
        "{chance} chance of running dry before it is due on {due}; come by {latest} to keep that under {target}."
    ),
    "larger": N_(
        "{chance} chance of running dry before it is due on {due}. No day in grace keeps that under {target}: it needs a "
        "larger cartridge or one visit more."
    ),
}


def expectations(
    outlook: Outlook | None, segment: DueSegment | None, target: Decimal, today: date, currency: str
) -> list[str]:
    """The sentences about an installed unit, the most pressing first; none for a unit that hangs nowhere.

    ``target`` is the chance of running dry before a visit that the operator accepts.
    """
    if outlook is None:
        return []
    due_on = segment.due_on if segment else None
    said = [_drift(outlook), _dry(outlook, due_on, target, today), _wick(outlook, due_on, currency)]
    return [one for one in (*said, _cleaning(outlook, today), _basis(outlook)) if one]


def _drift(outlook: Outlook) -> str:
    if not outlook.drift or outlook.drift_since_on is None:
        return ""
    said = _(_DRIFT[outlook.drift], day=day(outlook.drift_since_on))
    return f"{said} {_(_TO_DO.get(outlook.drift_advice, ''))}".rstrip()


def _dry(outlook: Outlook, due_on: date | None, target: Decimal, today: date) -> str:
    if outlook.chance_dry is None or due_on is None or outlook.latest_on is None:
        return ""
    if due_on < today:
        return ""  # the day has passed: how the unit stands says it
    chance = percent(float(outlook.chance_dry))
    return _(
        _DRY.get(outlook.dry_advice, _DRY[""]),
        chance=chance[0].upper() + chance[1:],
        due=day(due_on),
        latest=day(outlook.latest_on),
        target=percent(float(target)),
    )


def _wick(outlook: Outlook, due_on: date | None, currency: str) -> str:
    """What pays is reckoned for the next visit, looking on to the one after it; all else for the time until then."""
    saving, basis = outlook.wick_saving, outlook.basis
    chance = float(outlook.wick_chance) if outlook.wick_chance is not None else None
    until = due_on
    is_of_the_visit = False
    if outlook.wick_advice in {"wash", "change"} and saving is not None and basis.get("after_on") and due_on:
        chance, until = basis["wick_chance_after"], date.fromisoformat(basis["after_on"])
        is_of_the_visit = True
    said = wick_sentence(
        chance,
        day(until) if until else "",
        f"{amount(f'{saving:.2f}')} {currency}" if saving is not None and saving > 0 else "",
        outlook.wick_advice,
        outlook.wick_reason,
    )
    if is_of_the_visit and said and due_on:
        return _("At the visit of {day}: {what}", day=day(due_on), what=f"{said[0].lower()}{said[1:]}")
    return said


def _cleaning(outlook: Outlook, today: date) -> str:
    if outlook.clean_due_on is None:
        return ""
    due = day(outlook.clean_due_on)
    if outlook.clean_due_on <= today:
        return _("Its reservoir has been due for cleaning since {day}.", day=due)
    return _("Its reservoir is due for cleaning on {day}.", day=due)


def _basis(outlook: Outlook) -> str:
    basis = outlook.basis
    if not basis:
        return ""
    readings = int(basis.get("n") or 0)
    if readings:
        said = _n(
            "The dose is estimated from {count} reading of its own and from similar units.",
            "The dose is estimated from {count} readings of its own and from similar units.",
            readings,
        )
    elif basis.get("prior"):
        said = _(
            "What it uses was not measured yet, nor what its like use: its dose is assumed from its cartridge."
        )
    else:
        said = _("What it uses was not measured yet: its dose is an estimate from similar units.")
    if basis.get("wick_prior"):
        return f"{said} " + _("Too few wicks have been seen to fail here, so the chance of that is assumed.")
    return said
