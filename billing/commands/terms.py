"""What may stand in a contract's terms."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from decimal import Decimal
from typing import Any

from accounts import phrases
from accounts.commands.customers import FIRST_YEAR, LAST_YEAR
from accounts.errors import BadInput, Problem, Refusal
from accounts.languages import _
from billing.commands.rows import price_problems, refuse_bad_row
from billing.models import Contract, ContractTerms
from billing.rules.dispositions import CHARGEABLE_TYPES
from billing.rules.terms import Inclusion, Mode

BY_THE_PIECE = frozenset({Mode.UNIT_SERVICE, Mode.PER_VISIT})
OF_SITES = frozenset({"visit.made", "visit.not_admitted"})  # work that no single unit has
CYCLES = (1, 3, 6, 12)
PER, EVERY = ("unit", "site"), ("year", "month")
MOST_INCLUDED = 10_000
TERMS_RANGES = {"base_units": (0, 100_000), "claw_back_months": (0, 600), "make_good_days": (0, 365)}


@dataclasses.dataclass(frozen=True, slots=True)
class NewTerms:
    """A contract's rules from a day on; ``effective_from`` None: from the contract's first day.

    ``inclusions``: each an Inclusion, or a mapping of its four names.
    """

    effective_from: date | None = None
    mode: str = "unit_month"
    cycle_months: int = 1
    in_advance: bool = False
    proration: str = "by_days"
    base_units: int = 0
    visit_minimum: Decimal | None = None
    invoice_minimum: Decimal | None = None
    inclusions: Sequence[Inclusion | Mapping[str, Any]] = ()
    install_waived: bool = False
    claw_back_months: int = 0
    not_admitted: str = "billable"
    credits_missed: bool = False
    make_good_days: int = 5
    credit_as: str = "line"


def terms_row(contract: Contract, new: NewTerms, *, pointer: str = "") -> ContractTerms:
    """The row of new terms, checked; BadInput naming each field that can't be so, its pointer after ``pointer``."""
    values = {field.name: getattr(new, field.name) for field in dataclasses.fields(new)}
    values["effective_from"] = new.effective_from or contract.starts_on
    with pointing_below(pointer):
        values["inclusions"] = [_plain(one) for one in new.inclusions]
        row = ContractTerms(operator_id=contract.operator_id, contract=contract, **values)
        refuse_bad_row(row, ranges=TERMS_RANGES, check=lambda terms: list(_terms_problems(terms)))
        return row


@contextmanager
def pointing_below(pointer: str) -> Iterator[None]:
    """What a refusal points at stands below ``pointer`` in what was sent."""
    try:
        yield
    except Refusal as refusal:
        refusal.errors = [Problem(pointer + one.pointer, one.code, one.detail) for one in refusal.errors]
        raise


def _plain(one: Inclusion | Mapping[str, Any]) -> dict[str, Any]:
    names = ("event_type", "count", "per", "every")
    values = {name: getattr(one, name) for name in names} if isinstance(one, Inclusion) else dict(one)
    if set(values) != set(names):
        detail = _("What is in the fee says {names}, and nothing else.", names=", ".join(names))
        raise BadInput(detail, errors=[Problem("/inclusions", "inclusion", detail)])
    return values


def _terms_problems(terms: ContractTerms) -> Iterator[Problem]:
    if not FIRST_YEAR <= terms.effective_from.year <= LAST_YEAR:
        detail = _(
            "Terms begin in the years {first_year} to {last_year}.",
            first_year=FIRST_YEAR,
            last_year=LAST_YEAR,
        )
        yield Problem("/effective_from", "out-of-range", detail)
    if terms.cycle_months not in CYCLES:
        yield Problem("/cycle_months", "cycle", _("Bills come every 1, 3, 6 or 12 months."))
    yield from price_problems(terms.visit_minimum, "/visit_minimum")
    yield from price_problems(terms.invoice_minimum, "/invoice_minimum")
    yield from _mode_problems(terms)
    if terms.claw_back_months and not terms.install_waived:
        yield Problem(
            "/claw_back_months",
            "claw-back",
            _("Only an installation that was free can be paid for later. Set 0."),
        )
    for index, one in enumerate(terms.inclusions):
        yield from _inclusion_problems(one, f"/inclusions/{index}")
    kinds = [one["event_type"] for one in terms.inclusions]
    for index, kind in enumerate(kinds):
        if kind in kinds[:index]:
            yield Problem(
                f"/inclusions/{index}/event_type",
                "repeated",
                _("{kind} is in the fee twice. Say it once.", kind=kind),
            )


def _mode_problems(terms: ContractTerms) -> Iterator[Problem]:
    if terms.base_units and terms.mode != Mode.BASE_PLUS:
        yield Problem(
            "/base_units",
            "base-units",
            _("Only a base fee covers units. Choose the mode base_plus, or set 0."),
        )
    if terms.mode not in BY_THE_PIECE:
        return
    if terms.in_advance:
        yield Problem(
            "/in_advance",
            "by-the-piece",
            _("What is billed by the piece is billed afterwards: nobody knows it in advance."),
        )
    if terms.cycle_months != 1:
        yield Problem(
            "/cycle_months",
            "by-the-piece",
            _("What is billed by the piece is billed every month. Set 1."),
        )
    if terms.credits_missed:
        yield Problem(
            "/credits_missed",
            "by-the-piece",
            _(
                "What is billed by the piece has no fee that a missed service could be credited from.",
            ),
        )


def _inclusion_problems(one: dict[str, Any], pointer: str) -> Iterator[Problem]:
    kind, count = one["event_type"], one["count"]
    if kind not in CHARGEABLE_TYPES:
        known = ", ".join(sorted(CHARGEABLE_TYPES))
        yield Problem(
            f"{pointer}/event_type",
            "event-type",
            _(
                "{kind} can't be in a fee. Choose one of {known}.",
                kind=kind or _("No event type"),
                known=known,
            ),
        )
    if not isinstance(count, int) or isinstance(count, bool) or not 1 <= count <= MOST_INCLUDED:
        yield Problem(
            f"{pointer}/count",
            "out-of-range",
            _(
                "From 1 to {most_included} pieces of work can be in a fee.",
                most_included=phrases.number(MOST_INCLUDED),
            ),
        )
    if one["per"] not in PER:
        yield Problem(f"{pointer}/per", "unknown", _("Work is in the fee per unit or per site."))
    elif one["per"] == "unit" and kind in OF_SITES:
        yield Problem(f"{pointer}/per", "of-sites", _("A visit is of a site, so it is in the fee per site."))
    if one["every"] not in EVERY:
        yield Problem(f"{pointer}/every", "unknown", _("Work is in the fee every year or every month."))
