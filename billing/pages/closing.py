"""A month's close: what to look at before, what it would give, what changed since the last look, and the close itself."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from accounts import clock, tenancy
from accounts.errors import BadInput, Refusal
from accounts.languages import _
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from billing.commands import closing, month_jobs, previewing
from billing.models import Preview
from billing.queries import checking, closes, month_sizes, previews
from billing.queries import month_jobs as going
from billing.rules.rating import month_after
from billing.rules.wording import rule_words

# What one page may do itself: a month of so many units is closed in about a second; more goes to the worker.
AT_ONCE = 300
SHOWN = 50
REFRESH_SECONDS = 3


@operator_page(Permission.INVOICES_READ)
def month(request: OperatorRequest) -> HttpResponse:
    return _show(request)


@operator_page(Permission.INVOICES_ISSUE, "POST")
def preview_month(request: OperatorRequest) -> HttpResponse:
    """Try the close out: at once, or by the worker where that would take longer than a page may."""

    def at_once(asked: date) -> None:
        previewing.preview_month(actor=request.actor, month=asked)

    def later(asked: date) -> None:
        month_jobs.owe_preview(actor=request.actor, month=asked)

    return _do(request, at_once, later, done="previewed")


@operator_page(Permission.INVOICES_ISSUE, "POST", recent=True)
def close_month(request: OperatorRequest) -> HttpResponse:
    """Close the month named in the form; a refusal comes back on the page of the months."""
    leave_held = request.POST.get("leave_held") == "on"

    def at_once(asked: date) -> None:
        closing.close_month(actor=request.actor, month=asked, leave_held=leave_held)

    def later(asked: date) -> None:
        month_jobs.owe_close(actor=request.actor, month=asked, leave_held=leave_held)

    return _do(request, at_once, later, done="closed")


def _do(
    request: OperatorRequest, at_once: Callable[[date], None], later: Callable[[date], None], *, done: str
) -> HttpResponse:
    page = reverse("month", args=[request.operator.slug])
    try:
        asked = _month(request.POST.get("month", ""))
        with tenancy.reading(request.actor):
            is_small = not month_sizes.has_more_units_than(AT_ONCE)
        if is_small:
            at_once(asked)
            return redirect(f"{page}?{done}={asked:%Y-%m}")
        later(asked)
    except Refusal as refusal:
        return _show(request, refusal=refusal, status=refusal.status)
    return redirect(page)


def _month(text: str) -> date:
    try:
        return datetime.strptime(text, "%Y-%m").date()  # noqa: DTZ007 - a month has no zone
    except ValueError:
        raise BadInput(
            _("Name the month to close as year and month, such as 2026-06. Nothing was closed.")
        ) from None


def _show(request: OperatorRequest, *, refusal: Refusal | None = None, status: int = 200) -> HttpResponse:
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        closed = list(closes.closes())
        upcoming = month_after(closed[0].month) if closed else _asked(request)
        checks = checking.checklist(upcoming) if upcoming else []
        preview = previews.last_preview(upcoming) if upcoming else None
        running = [job for kind in (going.CLOSE, going.PREVIEW) if (job := going.last(kind))]
        counts = month_sizes.documents_by_close([close.id for close in closed])
    page = {
        "closes": [(close, counts.get(close.id, 0)) for close in closed],
        "upcoming": upcoming,
        "is_first": not closed,
        "is_over": upcoming is not None and month_after(upcoming) <= today,
        "checks": checks,
        "stops": sum(check.stops for check in checks),
        "preview": _told(preview) if preview else None,
        "going": next((job for job in running if job.is_going_on), None),
        "unhappy": [job for job in running if job.is_unhappy and job.month == upcoming],
        "refresh": REFRESH_SECONDS,
        "may_close": request.actor.may(Permission.INVOICES_ISSUE),
        "closed": request.GET.get("closed", ""),
        "previewed": request.GET.get("previewed", ""),
        "refusal": refusal,
        "typed": request.POST.get("month", "") or request.GET.get("month", ""),
        "leave_held": request.POST.get("leave_held") == "on",
        "offers_leaving": bool(
            refusal or (preview and preview.summary["held"]) or any(c.stops for c in checks)
        ),
        "today": today,
    }
    return render(request, "billing/month.html", page, status=status)


def _asked(request: OperatorRequest) -> date | None:
    """The first month to close, while none is closed: as typed."""
    try:
        return _month(request.POST.get("month", "") or request.GET.get("month", ""))
    except BadInput:
        return None


def _told(preview: Preview) -> dict[str, Any]:
    """A preview as its page shows it: sums by payer and by rule, the documents, what is held and what changed."""
    summary = preview.summary
    since = summary.get("since")
    return {
        "row": preview,
        "by_rule": _by_rule(summary["totals"]),
        "documents": summary["documents"][:SHOWN],
        "more": max(0, len(summary["documents"]) - SHOWN),
        "count": len(summary["documents"]),
        "sums": _sums(summary["documents"]),
        "held": _by_reason(summary["held"]),
        "held_count": len(summary["held"]),
        "waiting": summary["waiting"],
        "since": since and datetime.fromisoformat(since["made_at"]),
        "changes": (since or {}).get("documents", [])[:SHOWN],
        "held_new": _by_reason((since or {}).get("held", {}).get("new", [])),
        "held_gone": _by_reason((since or {}).get("held", {}).get("gone", [])),
    }


def _by_reason(held: list[dict[str, Any]]) -> list[tuple[str, int]]:
    """What lines are held for, each with how many."""
    return Counter(one["detail"] for one in held).most_common(SHOWN)


def _by_rule(totals: list[dict[str, Any]]) -> list[tuple[str, int, Decimal, str]]:
    """How many charges of each rule, and what they sum to, by currency."""
    sums: dict[tuple[str, str], tuple[int, Decimal]] = {}
    for row in totals:
        key = (row["currency"], row["rule"])
        charges, amount = sums.get(key, (0, Decimal(0)))
        sums[key] = (charges + row["charges"], amount + Decimal(row["amount"]))
    return [(rule_words(rule), *sums[code, rule], code) for code, rule in sorted(sums)]


def _sums(documents: list[dict[str, Any]]) -> list[tuple[str, Decimal]]:
    """What the documents come to by currency, credit notes taken off."""
    sums: dict[str, Decimal] = {}
    for row in documents:
        sign = -1 if row["kind"] == "credit_note" else 1
        sums[row["currency"]] = sums.get(row["currency"], Decimal(0)) + sign * Decimal(row["total"])
    return sorted(sums.items())
