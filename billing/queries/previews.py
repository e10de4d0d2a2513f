"""Previews of a month's close, and what a close made, summed; inside an operator's scope."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from django.db.models import Count, QuerySet, Sum

from billing.models import Charge, Document, DocumentLine, EventDisposition, PeriodClose, Preview
from billing.queries import closes
from billing.rules.documents import amount_text


def previews() -> QuerySet[Preview]:
    """The latest first."""
    return Preview.objects.order_by("-made_at", "-id")


def last_preview(month: date) -> Preview | None:
    return previews().filter(month=month).first()


def summary_of(close: PeriodClose) -> dict[str, Any]:
    """A close in figures, as plain JSON: sums by customer, currency and rule, its documents, what is held and what waits."""
    return {
        "month": str(close.month),
        "cut_position": close.cut_position,
        "issued_on": str(close.issued_on),
        "engine": close.engine,
        "totals": _totals(close),
        "documents": _documents(close),
        "held": close.held,
        "waiting": _waiting(),
        "events": _events(close),
        "days_without_price": close.days_without_price,
        "days_without_agreement": close.days_without_agreement,
    }


def _totals(close: PeriodClose) -> list[dict[str, Any]]:
    named = ("customer__code", "customer__name", "currency", "rule")
    rows = Charge.objects.filter(close=close).order_by(*named).values(*named)
    return [
        {
            "customer": row["customer__code"],
            "name": row["customer__name"],
            "currency": row["currency"],
            "rule": row["rule"],
            "charges": row["charges"],
            "amount": amount_text(row["amount"], row["currency"]),
        }
        for row in rows.annotate(charges=Count("id"), amount=Sum("amount"))
    ]


def _documents(close: PeriodClose) -> list[dict[str, Any]]:
    """In the order of their numbers. The numbers are those that the close would draw now; a preview draws none."""
    lines = dict(
        DocumentLine.objects.filter(document__close=close)
        .order_by()
        .values("document_id")
        .annotate(lines=Count("id"))
        .values_list("document_id", "lines")
    )
    rows = Document.objects.filter(close=close).select_related("customer").defer("document", "ubl")
    return [
        {
            "number": row.number,
            "kind": row.kind,
            "payer": row.customer.code,
            "name": row.customer.name,
            "currency": row.currency,
            "group": row.group,
            "po": row.po_number,
            "lines": lines.get(row.id, 0),
            **{field: amount_text(getattr(row, field), row.currency) for field in ("net", "tax", "total")},
        }
        for row in rows.order_by("number")
    ]


def _waiting() -> list[dict[str, str]]:
    """What is charged and stands on no document after the close, by currency."""
    rows = (
        closes.open_charges()
        .order_by()
        .values("currency")
        .annotate(amount=Sum("amount"), charges=Count("id"))
    )
    return [
        {
            "currency": row["currency"],
            "charges": row["charges"],
            "amount": amount_text(row["amount"] or Decimal(0), row["currency"]),
        }
        for row in rows.order_by("currency")
    ]


def _events(close: PeriodClose) -> list[dict[str, Any]]:
    rows = EventDisposition.objects.filter(close=close).order_by().values("outcome", "reason")
    return list(rows.annotate(events=Count("id")).order_by("outcome", "reason"))
