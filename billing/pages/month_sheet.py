"""The month sheet: whether a month paid, how well the service was kept, and the rows behind each of its numbers."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any
from urllib.parse import urlencode

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render

from accounts import clock, phrases, tenancy
from accounts.errors import NotFound
from accounts.languages import _
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from billing.pages.month_words import (
    FIGURES,
    MODES,
    MONEY,
    Says,
    change_of,
    row_says,
)
from billing.queries import months as money
from billing.queries import parties, revenue
from billing.queries.months import MoneyFigure, MoneyMonth
from billing.rules.documents import amount_text
from billing.rules.months import month_after, months_later
from servicing.queries.months import behind, trying
from servicing.queries.months.sheet import (
    Figure,
    Range,
    Series,
    Sheet,
    last_whole_month,
    material_of,
    series_of,
    sheet_of,
)

PAGE_SIZE = 100
EARLIEST_YEAR = 1_900
MONTH = re.compile(r"(\d{4})-(0[1-9]|1[0-2])\Z")
MOST_ML, MOST_GRACE = 20_000, 14


@dataclass(frozen=True, slots=True)
class Line:
    """A figure of the sheet: 24 ``values`` by month, the last of them shown beside the month and the year before it."""

    key: str
    title: str
    formula: str
    values: Sequence[Any]
    says: Says
    low: str = ""
    high: str = ""

    def _said(self, back: int) -> str:
        value = self.values[-1 - back]
        return "" if value is None else self.says(value)

    @property
    def now(self) -> str:
        return self._said(0)

    @property
    def before(self) -> str:
        return self._said(1)

    @property
    def year_ago(self) -> str:
        return self._said(12)

    def by_month(self, months: Sequence[date]) -> list[tuple[date, str, str]]:
        """The last twelve months, the latest first: month, value, and that of the year before."""
        said = ["" if value is None else self.says(value) for value in self.values]
        return list(zip(months[12:], said[12:], said[:12], strict=True))[::-1]


@operator_page(Permission.FIGURES_READ)
def sheet(request: OperatorRequest, month: str = "") -> HttpResponse:
    """A month's sheet; without a month, that of the last whole one."""
    if not month:
        last = last_whole_month(clock.today(request.operator.zone))
        return redirect("month-sheet-of", slug=request.operator.slug, month=f"{last:%Y-%m}")
    first = _month(request, month)
    tried = _tried(request)
    with tenancy.reading(request.actor):
        material = material_of(first)
        found = sheet_of(material)
        trial = trying.trial_of(
            material.ground, material.due_days, volume_ml=tried.volume_ml, grace_days=tried.grace_days
        )
        books = _books(request, found)
    page = {
        **_around(request, found),
        "sheet": found,
        "lines": _lines(found),
        "modes": [(_(MODES.get(one.mode, one.mode)), one) for one in found.modes],
        "books": books,
        "money_lines": _money_lines(books) if books else [],
        "dry": found.series[Figure.DRY].value(len(found.months) - 1),
        "expected": found.expected[-1],
        "worn": found.worn[-1],
        "trial": trial,
        "tried": tried,
        "is_empty": not material.ground.unit_ids,
    }
    return render(request, "billing/month_sheet.html", page)


@operator_page(Permission.FIGURES_READ)
def figure(request: OperatorRequest, month: str, figure: str) -> HttpResponse:
    """Twelve months of one figure, and the rows that the month's number is made of."""
    first = _month(request, month)
    if figure in set(MoneyFigure):
        return _money_figure(request, first, MoneyFigure(figure))
    if figure not in set(Figure):
        raise NotFound(_("The month sheet has no figure of this name."))
    asked = Figure(figure)
    with tenancy.reading(request.actor):
        material = material_of(first)
        series = series_of(material, asked)
        rows = behind.rows_behind(material, asked)
    window = material.window
    pages = Paginator(rows, PAGE_SIZE)
    part = pages.get_page(request.GET.get("page"))
    line = _line(asked, series)
    page = {
        **_months_around(request, first, clock.today(request.operator.zone)),
        "month": first,
        "line": line,
        "by_month": line.by_month(window.months),
        "rows": [(row, row_says(asked, row)) for row in part.object_list],
        "part": part,
        "total": pages.count,
        "top": series.top[-1],
        "bottom": series.bottom[-1] if series.bottom else None,
        "figure": asked,
    }
    return render(request, "billing/month_figure.html", page)


@dataclass(frozen=True, slots=True)
class Books:
    """The money of 24 months in one currency, and how the last of them compares."""

    currency: str
    months: list[MoneyMonth]

    @property
    def now(self) -> MoneyMonth:
        return self.months[-1]

    @property
    def against_before(self) -> Decimal | None:
        return change_of(self.now.net, self.months[-2].net)

    @property
    def against_year_ago(self) -> Decimal | None:
        return change_of(self.now.net, self.months[-13].net)


def _books(request: OperatorRequest, found: Sheet) -> Books | None:
    """None for whoever may not see money."""
    if not request.actor.may(Permission.INVOICES_READ):
        return None
    currency = _currency(request)
    return Books(currency, money.money_months(currency, found.months, found.until))


def _currency(request: OperatorRequest) -> str:
    asked = request.GET.get("currency", "")
    return asked if asked in revenue.currencies_billed() else parties.default_entity().currency


def _money_figure(request: OperatorRequest, first: date, asked: MoneyFigure) -> HttpResponse:
    if not request.actor.may(Permission.INVOICES_READ):
        raise NotFound(_("The month sheet has no figure of this name."))
    today = clock.today(request.operator.zone)
    months = tuple(months_later(first, at - 23) for at in range(24))
    last_on = min(today, date.fromordinal(month_after(first).toordinal() - 1))
    with tenancy.reading(request.actor):
        currency = _currency(request)
        books = Books(currency, money.money_months(currency, months, last_on))
        rows = money.money_rows(asked, currency, first, last_on)
    pages = Paginator(rows, PAGE_SIZE)
    part = pages.get_page(request.GET.get("page"))
    line = next(one for one in _money_lines(books) if one.key == asked)
    page = {
        **_months_around(request, first, today),
        "line": line,
        "by_month": line.by_month(months),
        "money_rows": part.object_list,
        "currency": currency,
        "part": part,
        "total": pages.count,
        "sum": sum((row.adds for row in rows), Decimal(0)),
        "figure": asked,
        "month": first,
    }
    return render(request, "billing/month_figure.html", page)


def _lines(found: Sheet) -> list[Line]:
    on_time = found.on_time
    ranges = {**found.ranges, **({Figure.PUNCTUAL: (on_time.low, on_time.high)} if on_time.n else {})}
    return [_line(one, found.series[one], ranges.get(one)) for one in Figure]


def _line(figure: Figure, series: Series, within: Range | None = None) -> Line:
    words = FIGURES[figure]
    low, high = (words.says(end) for end in within) if within else ("", "")
    return Line(figure, _(words.title), _(words.formula), series.values, words.says, low, high)


def _money_lines(books: Books) -> list[Line]:
    def amount(value: Decimal) -> str:
        return phrases.amount(amount_text(value, books.currency))

    columns = {
        MoneyFigure.INVOICED: [one.invoiced for one in books.months],
        MoneyFigure.GIVEN_BACK: [one.given_back for one in books.months],
        MoneyFigure.PAID: [one.paid for one in books.months],
        MoneyFigure.OWED: [one.owed for one in books.months],
    }
    lines = [Line(key, _(MONEY[key][0]), _(MONEY[key][1]), values, amount) for key, values in columns.items()]
    kept = [one.kept / one.kept_base if one.kept_base > 0 else None for one in books.months]
    title, formula = MONEY[MoneyFigure.KEPT]
    return [*lines, Line(MoneyFigure.KEPT, _(title), _(formula), kept, _percent)]


def _percent(value: Decimal) -> str:
    return f"{phrases.number(100 * value, 1)} %"


def _around(request: OperatorRequest, found: Sheet) -> dict[str, Any]:
    return {
        **_months_around(request, found.month, clock.today(request.operator.zone)),
        "month": found.month,
        "months": found.months[12:],
        "is_running": found.is_running,
        "until": found.until,
    }


def _months_around(request: OperatorRequest, month: date, today: date) -> dict[str, Any]:
    """The month before, and the one after it unless that has not begun."""
    later = month_after(month)
    months = [months_later(month, at - 11) for at in range(12)]
    return {
        "earlier": months_later(month, -1),
        "later": later if later <= today else None,
        "months": months,
        "currency_asked": request.GET.get("currency", ""),
        "paging_query": urlencode({"currency": asked}) if (asked := request.GET.get("currency")) else "",
    }


def _month(request: OperatorRequest, text: str) -> date:
    """The first day of a month asked for as "2026-10"; NotFound for another text and for a month to come."""
    asked = MONTH.match(text)
    if not asked or int(asked[1]) <= EARLIEST_YEAR:
        raise NotFound(_("A month is written as in 2026-10."))
    first = date(int(asked[1]), int(asked[2]), 1)
    if first > clock.today(request.operator.zone):
        raise NotFound(_("This month has not begun; its sheet can be read from its first day on."))
    return first


@dataclass(frozen=True, slots=True)
class Tried:
    """What was typed into the form of another cartridge, kept as typed; ``error`` is a sentence."""

    volume: str = ""
    grace: str = ""
    volume_ml: int | None = None
    grace_days: int | None = None
    volume_error: str = ""
    grace_error: str = ""


def _tried(request: OperatorRequest) -> Tried:
    volume, grace = (request.GET.get(name, "").strip() for name in ("volume", "grace"))
    ml, volume_error = None, ""
    if volume:
        try:
            ml = phrases.ml_typed(Decimal(volume.replace(",", ".")))
        except ArithmeticError:
            ml = 0
        if not 0 < ml <= MOST_ML:
            ml, volume_error = (
                None,
                _(
                    "Type the cartridge's content as a number, above 0 and up to {most}.",
                    most=phrases.volume(MOST_ML),
                ),
            )
    days = int(grace) if grace.isdecimal() and int(grace) <= MOST_GRACE else None
    grace_error = "" if days is not None or not grace else _("Grace is 0 to {most} days.", most=MOST_GRACE)
    return Tried(volume, grace, ml, days, volume_error, grace_error)
