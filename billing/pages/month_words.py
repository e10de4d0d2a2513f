"""The words of the month sheet: what each figure is called, what it is made of, how it reads, and its rows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from accounts import phrases
from accounts.languages import N_, _
from billing.queries.months import MoneyFigure
from servicing.queries.months.sheet import Figure

Says = Callable[[Any], str]


def _whole(value: Any) -> str:
    return phrases.number(value)


def _tenths(value: Any) -> str:
    return phrases.number(value, 1)


def _percent(value: Any) -> str:
    return f"{phrases.number(100 * value)} %"


def _fine_percent(value: Any) -> str:
    return f"{phrases.number(100 * value, 1)} %"


@dataclass(frozen=True, slots=True)
class FigureWords:
    """``title`` of its row, ``formula`` in a sentence, and how a value of it is said."""

    title: str
    formula: str
    says: Says


FIGURES: dict[Figure, FigureWords] = {
    Figure.UNITS: FigureWords(
        N_("Units under agreement"),
        N_("Units that hang at a site under agreement on the month's last day. Below: which came and which went."),
        _whole,
    ),
    Figure.SITES: FigureWords(
        N_("Sites under agreement"),
        N_("Sites under agreement on the month's last day. Below: which came and which went."),
        _whole,
    ),
    Figure.PUNCTUAL: FigureWords(
        N_("Due days met in grace"),
        N_("Due days of units met in grace, of all whose grace has ended. Days whose grace still runs are not counted."),
        _percent,
    ),
    Figure.DRY: FigureWords(
        N_("Days that units were dry"),
        N_(
            "Days without a drop, of all days that units were in service. A unit found dry is taken to have run dry when"
            " its own earlier visits say it would; one found with liquid was not dry. Standstills do not count."
        ),
        _fine_percent,
    ),
    Figure.WICKS: FigureWords(
        N_("Wicks changed"),
        N_("Wick changes, for whatever reason. The number to expect to fail comes from the fitted life, over the ages of all wicks."),
        _whole,
    ),
    Figure.REPORTS: FigureWords(
        N_("Reports a 1,000 unit-months"),
        N_("Reports that came in, over the months that units were in service, times 1,000."),
        _tenths,
    ),
    Figure.FAULTS: FigureWords(
        N_("Failures a 1,000 unit-months"),
        N_("Faults found, over the months that units were in service, times 1,000."),
        _tenths,
    ),
    Figure.NOT_ADMITTED: FigureWords(
        N_("Visits not admitted"),
        N_("Visits at which nobody was let in, of all that were tried."),
        _fine_percent,
    ),
    Figure.REMEDY: FigureWords(
        N_("Put right at the first go"),
        N_("Faults closed in the month that did not come back to the same unit within 14 days, of all that were closed."),
        _percent,
    ),
    Figure.RESTORED: FigureWords(
        N_("Days from a report to its closing"),
        N_("The mean over the reports closed in the month. Those still open are not in it."),
        _tenths,
    ),
    Figure.LOAD: FigureWords(
        N_("Crew load"),
        N_(
            "Minutes on site, of 450 a weekday for each crew that made a visit in the month. Driving is not in it, and"
            " public holidays are not taken out."
        ),
        _percent,
    ),
}  # fmt: skip

MONEY: dict[MoneyFigure, tuple[str, str]] = {
    MoneyFigure.INVOICED: (N_("Invoiced, net"), N_("Invoices of the month, without tax.")),
    MoneyFigure.GIVEN_BACK: (N_("Given back, net"), N_("Credit notes of the month, without tax.")),
    MoneyFigure.PAID: (N_("Paid by customers"), N_("Payments received in the month less what was paid back, tax included.")),
    MoneyFigure.OWED: (
        N_("Owed at the end"),
        N_("What was left of documents on the month's last day, tax included, less credit notes that had settled nothing."),
    ),
    MoneyFigure.KEPT: (
        N_("Kept of last year's revenue"),
        N_("What the customers billed in the same month of the year before were billed now, of what they were billed then."),
    ),
}  # fmt: skip

# By figure and kind of row, what the row says; {until} and {number} are filled where they are known.
ROWS: dict[Figure, dict[str, str]] = {
    Figure.UNITS: {"gained": N_("came"), "lost": N_("went")},
    Figure.SITES: {"gained": N_("came under agreement"), "lost": N_("no longer under agreement")},
    Figure.PUNCTUAL: {
        "missed": N_("not met"),
        "met_late": N_("met past grace, on {until}"),
        "met": N_("met on {until}"),
    },
    Figure.DRY: {
        "seen": N_("found dry on {until}; dry for {number} days of the month"),
        "expected": N_("expected to be dry since, seen by nobody yet; {number} days of the month"),
    },
    Figure.WICKS: {
        "age": N_("changed for its age"),
        "slow": N_("changed because it was slow"),
        "failed": N_("changed because it had failed"),
        "damaged": N_("changed because it was damaged"),
        "other": N_("changed for another reason"),
    },
    Figure.REMEDY: {"held": N_("closed on {until}, did not come back"), "came_back": N_("closed on {until}, came back")},
}  # fmt: skip

REPORTS = {
    "odour": N_("odour"),
    "leak": N_("leak"),
    "empty": N_("empty"),
    "damage": N_("damage"),
    "chemical": N_("chemical"),
}
# In the words of the unit's own page.
MODES = {
    "PLU": N_("outlet plugged"),
    "LOO": N_("drips too little"),
    "HIO": N_("drips too much"),
    "ELU": N_("leaks"),
    "STD": N_("damaged"),
    "NOO": N_("does not drip"),
    "MIS": N_("missing"),
    "TMP": N_("tampered with"),
}
REASONS = {
    "closed": N_("the site was closed"),
    "nobody_to_admit": N_("nobody was there to admit the crew"),
    "room_occupied": N_("the restroom was occupied"),
    "key_missing": N_("the key was missing"),
    "unsafe": N_("it was not safe to go in"),
    "refused": N_("the site refused"),
    "weather": N_("the weather"),
}


def row_says(figure: Figure, row: Any) -> str:
    """What one row behind a figure says, beside its day and place."""
    until = phrases.day(row.until) if row.until else ""
    if figure is Figure.NOT_ADMITTED:
        return _(REASONS.get(row.kind, row.kind))
    if figure is Figure.LOAD:
        return _(
            "{visits} visits, {minutes} minutes on site", visits=row.number, minutes=phrases.number(row.adds)
        )
    if figure is Figure.RESTORED:
        return _(
            "{kind}; closed on {until}, after {number} days",
            kind=_(REPORTS.get(row.kind, row.kind)), until=until, number=phrases.number(row.number, 1),
        )  # fmt: skip
    if figure in {Figure.REPORTS, Figure.FAULTS}:
        kind = _((REPORTS if figure is Figure.REPORTS else MODES).get(row.kind, row.kind))
        if row.until is None:
            return _("{kind}; still open", kind=kind)
        return _("{kind}; closed on {until}", kind=kind, until=until)
    number = "" if row.number is None else phrases.number(row.number, 1)
    return _(ROWS[figure].get(row.kind, row.kind), until=until, number=number)


def change_of(now: Decimal, before: Decimal) -> Decimal | None:
    """By how much of ``before`` an amount is more; None where there was nothing before."""
    return (now - before) / before if before > 0 else None
