"""Money at one look: what is owed and how old it is, what waits for somebody, and what was billed month by month."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from django.http import HttpResponse
from django.shortcuts import render

from accounts import clock, tenancy
from accounts.languages import _
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from billing.pages.accounts_of_customers import BANDS
from billing.pages.revenue import MONTHS, back_by, picture
from billing.queries import (
    ageing,
    checking,
    closes,
    contracts,
    document_lists,
    parties,
    prices,
    revenue,
    settling,
    webhooks,
)
from billing.queries.ageing import Debtor
from billing.queries.bank.entries import waiting_count
from billing.rules.ageing import Aged, Band
from billing.rules.rating import month_after

DEBTORS = 12
AHEAD_DAYS, UNSENT_DAYS = 60, 30
LATE = tuple(band for band in Band if band is not Band.NOT_DUE)


@dataclass(frozen=True, slots=True)
class Owing:
    """A customer's debts in one currency."""

    debtor: Debtor
    aged: Aged

    @property
    def past_due(self) -> Decimal:
        return self.aged.owed - self.aged.bands[Band.NOT_DUE]


@operator_page(Permission.INVOICES_READ)
def money(request: OperatorRequest) -> HttpResponse:
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        debtors = ageing.ageing(at=today)
        usual = parties.default_entity().currency
        billed_in = revenue.currencies_billed()
        currency = request.GET.get("currency", "")
        currency = currency if currency in billed_in else usual
        last = closes.closes().first()
        shown_until = last.month if last else today.replace(day=1)
        months = revenue.billed_months(currency, back_by(shown_until, 2 * MONTHS - 1))
        upcoming = month_after(last.month) if last else None
        waits = _waits(request, today, upcoming)
    owing = [Owing(debtor, row) for debtor in debtors for row in debtor.rows]
    owing.sort(key=lambda one: (-one.past_due, -one.aged.owed, one.debtor.code))
    totals = ageing.totals(debtors)
    page = {
        "today": today,
        "owed": [(sum(bands[band] for band in Band), code) for code, bands in totals.items()],
        "late": [
            (late, code) for code, bands in totals.items() if (late := sum(bands[band] for band in LATE))
        ],
        "is_all_late": not any(bands[Band.NOT_DUE] for bands in totals.values()),
        "owing": [one for one in owing if one.aged.owed][:DEBTORS],
        "debtors": len({one.debtor.id for one in owing if one.aged.owed}),
        "totals": [
            (code, [(_(BANDS[band]), bands[band]) for band in Band], bands) for code, bands in totals.items()
        ],
        "bands": [_(word) for word in BANDS.values()],
        "Band": Band,
        "last": last,
        "upcoming": upcoming,
        "is_over": upcoming is not None and month_after(upcoming) <= today,
        "waits": waits,
        "picture": picture(months, shown_until),
        "currency": currency,
        "currencies": billed_in,
    }
    return render(request, "billing/money.html", page)


def _waits(request: OperatorRequest, today: date, upcoming: date | None) -> dict[str, Any]:
    """What waits for somebody: checks, renewals, price changes, money without a debt, what could not be sent or told."""
    return {
        "checks": checking.checklist(upcoming) if upcoming else [],
        "renewals": contracts.renewals_ahead(today, AHEAD_DAYS),
        "changes": [one for one in prices.price_changes_ahead(today, AHEAD_DAYS) if one.before is not None],
        "kept": settling.kept_money(),
        "unsent": document_lists.unsent(clock.now() - timedelta(days=UNSENT_DAYS)),
        "bank": waiting_count(),
        "stopped": webhooks.stopped() if request.actor.may(Permission.INTEGRATIONS_MANAGE) else [],
        "open": document_lists.open_sums(),
        "ahead_days": AHEAD_DAYS,
    }
