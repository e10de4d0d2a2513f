"""Reads of what was sent to customers and read by them, of what is overdue, and of new prices to be announced."""

from __future__ import annotations

import base64
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from uuid import UUID

from django.core import signing
from django.db.models import F, Max, Q, QuerySet

import accounts.queries
from accounts import clock
from accounts.errors import NotFound
from accounts.languages import N_, _
from billing.models import Charge, PriceVersion, Sending
from billing.queries import prices
from billing.rules.reminders import Reminded

SALT = "billing.sending"
NO_LINK = N_(
    "This link leads nowhere: it is not whole, or it is too old. Ask who sent it to you for a new one."
)
# A link opens its document for about thirteen months after it was sent: until the next year's books are closed.
LINK_DAYS = 400
# Whom a list price concerns: who was charged at it in so many days before it changes.
CHARGED_WITHIN_DAYS = 366


def sendings() -> QuerySet[Sending]:
    """Everything sent or to be sent, the latest first, without what the documents say."""
    return with_documents().defer("document__document", "document__ubl")


def with_documents() -> QuerySet[Sending]:
    return Sending.objects.select_related("customer", "document").order_by("-id")


def sendings_of(document_id: UUID) -> QuerySet[Sending]:
    """What was sent of one document, the latest first."""
    return Sending.objects.filter(document_id=document_id).order_by("-id")


def get_sending(sending_id: UUID) -> Sending:
    found = sendings().filter(id=sending_id).first()
    if found is None:
        raise NotFound(_("Nothing here was sent under this id."))
    return found


def reminders_of(document_ids: Collection[UUID], zone: str) -> dict[UUID, Reminded]:
    """The last step of reminding of each document, and the day in ``zone`` it was owed on; none where nobody reminded."""
    rows = (
        Sending.objects.filter(document_id__in=document_ids, kind="reminder")
        .order_by()
        .values("document_id")
        .annotate(last=Max("step"), owed_at=Max("owed_at"))
    )
    return {row["document_id"]: Reminded(row["last"], clock.local_date(row["owed_at"], zone)) for row in rows}


# Links


def token_of(operator_id: UUID, sending_id: UUID) -> str:
    """What the link to one sending ends with: its ids, signed with the product's key, so that nobody can guess another."""
    ids = base64.urlsafe_b64encode(operator_id.bytes + sending_id.bytes).rstrip(b"=").decode()
    return signing.Signer(salt=SALT).sign(ids)


def read_token(token: str) -> tuple[UUID, UUID]:
    """Operator and sending of a link; NotFound for one that was not made here. Needs no scope."""
    try:
        ids = base64.urlsafe_b64decode(signing.Signer(salt=SALT).unsign(token) + "=")
    except (signing.BadSignature, ValueError):
        raise NotFound(_(NO_LINK)) from None
    return UUID(bytes=ids[:16]), UUID(bytes=ids[16:])


def shared(sending_id: UUID) -> Sending:
    """What a link shows; NotFound once it is too old."""
    found = (
        with_documents().filter(id=sending_id, owed_at__gt=clock.now() - timedelta(days=LINK_DAYS)).first()
    )
    if found is None:
        raise NotFound(_(NO_LINK))
    return found


# New prices


@dataclass(frozen=True, slots=True)
class Concerned:
    """A customer whom a new price is to be told."""

    id: UUID
    code: str
    name: str
    email: str


@dataclass(frozen=True, slots=True)
class PriceChange:
    """A price that changes on a day to come. ``after`` None: it waits for its index figure. ``concerns``: whose it is."""

    version_id: UUID
    item_code: str
    item_name: str
    contract_number: str
    site_name: str
    before: Decimal | None
    after: Decimal | None
    currency: str
    effective_from: date
    announced_on: date | None
    concerns: tuple[Concerned, ...]


def price_changes_ahead(today: date, within_days: int) -> list[PriceChange]:
    """Prices that change within so many days after today, the soonest first; those announced already among them.

    A price of the list concerns whom the item was charged to at the list's price in the year before.
    """
    changes = [price_change(row.price) for row in prices.price_changes_ahead(today, within_days)]
    return [change for change in changes if change.before is not None and change.before != change.after]


def price_change(row: PriceVersion) -> PriceChange:
    """What changes with a price, for whom."""
    return PriceChange(
        version_id=row.id,
        item_code=row.item.code,
        item_name=row.item.name,
        contract_number=row.contract.number if row.contract else "",
        site_name=row.site.name if row.site else "",
        before=_price_before(row),
        after=row.amount,
        currency=row.currency,
        effective_from=row.effective_from,
        announced_on=row.announced_on,
        concerns=tuple(_concerned(row)),
    )


def _price_before(row: PriceVersion) -> Decimal | None:
    """What was charged instead the day before: of the site, else of the contract, else of the list."""
    scope = Q(contract=None, site=None)
    if row.contract_id:
        scope |= Q(contract=row.contract_id, site=None) | Q(contract=row.contract_id, site=row.site_id)
    last_day = row.effective_from - timedelta(days=1)
    before = PriceVersion.objects.filter(scope, item=row.item_id, effective_from__lte=last_day).filter(
        Q(effective_to=None) | Q(effective_to__gt=last_day)
    )
    nearest = before.order_by(F("site").desc(nulls_last=True), F("contract").desc(nulls_last=True)).first()
    return nearest.amount if nearest else None


def _concerned(row: PriceVersion) -> list[Concerned]:
    if row.contract:
        ids = [row.contract.customer_id]
    else:
        charged = Charge.objects.filter(
            item_code=row.item.code,
            price_version__contract=None,
            service_on__gte=row.effective_from - timedelta(days=CHARGED_WITHIN_DAYS),
        )
        ids = list(charged.order_by().values_list("customer_id", flat=True).distinct())
    customers = sorted(accounts.queries.customers_in(ids).values(), key=lambda customer: customer.code)
    return [Concerned(one.id, one.code, one.name, one.billing_email) for one in customers]
