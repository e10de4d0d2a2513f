"""Money: the months closed and the documents issued."""

from __future__ import annotations

from datetime import date, datetime

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from accounts import clock, tenancy
from accounts.errors import BadInput, Refusal
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from billing.commands import closing
from billing.queries import closes, documents, prices
from billing.rules.rating import month_after

PAGE_SIZE = 50


@operator_page(Permission.INVOICES_READ)
def money(request: OperatorRequest) -> HttpResponse:
    return _money(request)


@operator_page(Permission.INVOICES_ISSUE, "POST")
def close_month(request: OperatorRequest) -> HttpResponse:
    """Close the month named in the form; a refusal comes back on the page of the months."""
    try:
        month = _month(request.POST.get("month", ""))
        closing.close_month(actor=request.actor, month=month)
    except Refusal as refusal:
        return _money(request, refusal=refusal, status=refusal.status)
    return redirect(f"{reverse('money', args=[request.operator.slug])}?closed={month:%Y-%m}")


def _month(text: str) -> date:
    try:
        return datetime.strptime(text, "%Y-%m").date()  # noqa: DTZ007 - a month has no zone
    except ValueError:
        raise BadInput(
            "Name the month to close as year and month, such as 2026-06. Nothing was closed."
        ) from None


def _money(request: OperatorRequest, *, refusal: Refusal | None = None, status: int = 200) -> HttpResponse:
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        closed = list(closes.closes())
        pages = Paginator(documents.invoices(), PAGE_SIZE)
        part = pages.get_page(request.GET.get("page"))
        invoices, total = list(part.object_list), pages.count
        price_list = prices.price_list(today)
        _, _, waiting = closes.sums()
    months = {close.id: close.month for close in closed}
    upcoming = month_after(closed[0].month) if closed else None
    page = {
        "closes": closed,
        "invoices": [(invoice, months[invoice.close_id]) for invoice in invoices],
        "part": part,
        "total": total,
        "prices": price_list,
        "waiting": sorted(waiting.items()),
        "upcoming": upcoming,
        "is_over": upcoming is None or month_after(upcoming) <= today,
        "may_close": request.actor.may(Permission.INVOICES_ISSUE),
        "closed": request.GET.get("closed", ""),
        "refusal": refusal,
        "typed": request.POST.get("month", ""),
    }
    return render(request, "billing/money.html", page, status=status)
