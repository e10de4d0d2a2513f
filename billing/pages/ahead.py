"""What has to be told to customers in time: contracts whose term runs out, and prices that change."""

from __future__ import annotations

from datetime import timedelta
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from accounts import clock, tenancy
from accounts.errors import Refusal
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from billing.commands import sending as commands
from billing.queries import contracts, sending

WITHIN_DAYS = 90


@operator_page(Permission.INVOICES_READ)
def ahead(request: OperatorRequest) -> HttpResponse:
    return _ahead(request)


@operator_page(Permission.DOCUMENTS_SEND, "POST")
def announce_price(request: OperatorRequest, version_id: UUID) -> HttpResponse:
    """Owe the letters of one new price."""
    try:
        made = commands.announce_price(actor=request.actor, version_id=version_id)
    except Refusal as refusal:
        return _ahead(request, refusal=refusal, status=refusal.status)
    without = sum(not letter.to for letter in made)
    return redirect(f"{reverse('ahead', args=[request.operator.slug])}?letters={len(made)}&without={without}")


def _ahead(request: OperatorRequest, *, refusal: Refusal | None = None, status: int = 200) -> HttpResponse:
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        renewals = contracts.renewals_ahead(today, WITHIN_DAYS)
        changes = sending.price_changes_ahead(today, WITHIN_DAYS)
    page = {
        "renewals": renewals,
        "changes": changes,
        "unannounced": sum(change.announced_on is None for change in changes),
        "until": today + timedelta(days=WITHIN_DAYS),
        "may_send": request.actor.may(Permission.DOCUMENTS_SEND),
        "letters": _number(request.GET.get("letters", "")),
        "without": _number(request.GET.get("without", "")),
        "refusal": refusal,
    }
    return render(request, "billing/ahead.html", page, status=status)


def _number(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else None  # noqa: PLR2004
