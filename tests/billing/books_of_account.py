"""Documents for the tests of the ledger: made by hand in the form that issuing freezes, without a close behind them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any
from uuid import UUID, uuid4

from accounts import clock, tenancy
from accounts.ids import uuid7
from billing.commands import booking
from billing.models import Charge, Document, DocumentLine, NumberSeries, PeriodClose
from billing.rules.documents import amount_text, digest
from billing.rules.ledger import Booked
from tests.cast import Cast


@dataclass(frozen=True)
class Said:
    """One line: net amount, site code ("" for none), revenue account, and the period it is billed for in advance."""

    amount: str
    site: str = "S1"
    account: str = ""
    advance: tuple[str, str] | None = None


def content(
    kind: str,
    lines: Sequence[Said],
    tax: Sequence[tuple[str, str]] = (),
    *,
    number: str = "INV-000001",
    issued_on: str = "2026-05-03",
    due_on: str | None = "2026-06-02",
    currency: str = "EUR",
    rounding: str = "0",
) -> dict[str, Any]:
    """A document's JSON with what the ledger reads of it; ``tax``: jurisdiction and amount of each group."""
    net = sum((Decimal(line.amount) for line in lines), Decimal(0))
    total = net + sum((Decimal(amount) for _, amount in tax), Decimal(0))
    return {
        "document": kind,
        "number": number,
        "issued_on": issued_on,
        "due_on": due_on,
        "currency": currency,
        "lines": [_line(index, line, currency) for index, line in enumerate(lines, start=1)],
        "tax_groups": [
            {"jurisdiction": jurisdiction, "tax": amount_text(Decimal(amount), currency)}
            for jurisdiction, amount in tax
        ],
        "net": amount_text(net, currency),
        "tax": amount_text(total - net, currency),
        "total": amount_text(total, currency),
        "cash_rounding": amount_text(Decimal(rounding), currency),
        "payable": amount_text(total + Decimal(rounding), currency),
    }


def _line(number: int, line: Said, currency: str) -> dict[str, Any]:
    start, end = line.advance or ("2026-04-01", "2026-05-01")
    return {
        "line": number,
        "site": {"code": line.site, "name": "Somewhere"} if line.site else None,
        "account": line.account,
        "in_advance": line.advance is not None,
        "period": {"start": start, "end_exclusive": end},
        "amount": amount_text(Decimal(line.amount), currency),
    }


def booked(said: dict[str, Any], entity_id: UUID | None = None) -> Booked:
    return Booked(uuid4(), digest(said), uuid4(), entity_id, said)


def issue(cast: Cast, said: dict[str, Any], corrects: Document | None = None) -> Document:
    """Store and book such a document, as issuing does, under the next ordinal of a series."""
    with tenancy.writing(cast.owner):
        code = said["number"].rsplit("-", 1)[0]
        series, _ = NumberSeries.objects.get_or_create(code=code, defaults={"kind": said["document"]})
        document = Document.objects.create(
            id=uuid7(),
            kind=said["document"],
            series=series,
            ordinal=int(said["number"].rsplit("-", 1)[1]),
            number=said["number"],
            customer=cast.customer,
            corrects=corrects,
            issued_on=date.fromisoformat(said["issued_on"]),
            due_on=date.fromisoformat(said["due_on"]) if said["due_on"] else None,
            currency=said["currency"],
            net=Decimal(said["net"]),
            tax=Decimal(said["tax"]),
            total=Decimal(said["total"]),
            document=said,
            document_sha256=digest(said),
        )
        _lines(cast, document, corrects)
        booking.book_documents([document])
    return document


def _lines(cast: Cast, document: Document, corrects: Document | None) -> None:
    """The lines' rows: an invoice's with the charges that they bill, a credit note's with what they give back of."""
    close = corrects is None and PeriodClose.objects.create(
        month=_month(), cut_position=0, closed_at=clock.now(), issued_on=document.issued_on, engine="", inputs={},
        inputs_sha256="", days_without_price=0, days_without_agreement=0,
    )  # fmt: skip
    for said in document.document["lines"]:
        given = corrects and DocumentLine.objects.get(document=corrects, line=said["line"])
        DocumentLine.objects.create(
            document=document,
            line=said["line"],
            amount=Decimal(said["amount"]),
            charge=None if given else _charge(cast, close, said, document),
            credits=given,
        )


def _charge(cast: Cast, close: Any, said: dict[str, Any], document: Document) -> Charge:
    start, end = (date.fromisoformat(day) for day in said["period"].values())
    return Charge.objects.create(
        close=close, key=uuid4().hex, kind="regular", rule="site_month", subject_id=cast.site.id, item_code="flat",
        item_name="Flat fee", unit_price=Decimal(said["amount"]), currency=document.currency, customer=cast.customer,
        site=cast.site, service_on=start, starts_on=start, ends_before=end, part=1, whole=1,
        amount=Decimal(said["amount"]), in_advance=said["in_advance"],
    )  # fmt: skip


def _month() -> date:
    """A month that no close of the operator has yet, long before any that a test closes."""
    made = PeriodClose.objects.filter(month__lt=date(2000, 1, 1)).count()
    return date(1900 + made // 12, made % 12 + 1, 1)
