"""What to look at before a month's documents are issued; inside an operator's scope."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, time
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Count, Exists, OuterRef, Q, QuerySet

import accounts.queries
import fleet.queries
from accounts import phrases
from accounts.languages import _, _n
from billing.models import (
    BillingProfile,
    Charge,
    ContractSite,
    EventDisposition,
    PeriodClose,
    PriceVersion,
    PurchaseOrder,
)
from billing.queries import orders, previews
from billing.rules.dating import plain_day, plain_month
from billing.rules.dispositions import WAITING, Outcome
from billing.rules.documents import amount_text
from billing.rules.orders import Use
from billing.rules.rating import Rule, month_after
from billing.rules.wording import reason_words
from servicing.queries import events as log

SHOWN = 50
# Work at a unit that a customer would call a service.
SERVICES = (
    "cartridge.exchanged",
    "outlet.cleared",
    "reservoir.cleaned",
    "wick.changed",
    "wick.checked",
    "wick.washed",
)
BY_SITE = (Rule.SITE_MONTH, Rule.EXTRA_UNIT, Rule.VISIT)


@dataclass(frozen=True, slots=True)
class Named:
    """A row to look at: its label, and the codes that lead to it; "" where it has none."""

    label: str
    customer: str = ""
    site: str = ""
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Check:
    """One thing to look at. ``stops``: lines are held back until it is settled. ``rows``: the first ones of ``count``."""

    kind: str
    stops: bool
    count: int
    sentence: str
    rows: tuple[Named, ...] = ()

    def to_json(self) -> dict[str, Any]:
        return asdict(self) | {"rows": [asdict(row) for row in self.rows]}


def checklist(month: date) -> list[Check]:
    """What to look at before ``month`` (its first day) is closed, what stops lines first; [] when nothing is.

    What was served and what would be billed is taken from the month's close, or from its last preview: before either
    those two are not on the list, and what is left of orders is that of what was invoiced before.
    """
    found = [
        *_missing_orders(month),
        *_orders_ending(month),
        *_prices_waiting(month),
        *_events_held(),
        *_sites_without_contract(month),
        *_of_documents(month),
    ]
    return sorted(found, key=lambda check: (not check.stops, check.kind))


def _of_documents(month: date) -> list[Check]:
    if PeriodClose.objects.filter(month=month).exists():
        return by_documents(month)
    preview = previews.last_preview(month)
    if preview is None:
        return list(_orders_spent(month))
    checks = preview.summary.get("checks", [])
    return [Check(**(one | {"rows": tuple(Named(**row) for row in one["rows"])})) for one in checks]


def by_documents(month: date) -> list[Check]:
    """What only the documents of a month can tell, once they are issued, or tried out."""
    return [*served_and_billed(month), *_orders_spent(month)]


def _missing_orders(month: date) -> Iterator[Check]:
    """Customers who want an order number on each document, and have none that is valid in the month."""
    valid = PurchaseOrder.objects.filter(
        customer_id=OuterRef("customer_id"), starts_on__lt=month_after(month)
    )
    valid = valid.filter(Q(ends_before=None) | Q(ends_before__gt=month))
    rows = BillingProfile.objects.filter(~Exists(valid), po_required=True).select_related("customer")
    named = [Named(one.customer.name, customer=one.customer.code) for one in rows.order_by("customer__code")]
    if named:
        sentence = _n(
            "{count} customer wants a purchase order on each invoice and gave none for {month}. Enter it, or the lines wait.",
            "{count} customers want a purchase order on each invoice and gave none for {month}. Enter it, or the lines wait.",
            len(named),
            month=phrases.month(month),
        )
        yield _check("missing_order", named, sentence, stops=True)


def _orders_ending(month: date) -> Iterator[Check]:
    """Orders that end with the month, in it or in the next one."""
    codes, last = _customer_codes(), month_after(month_after(month))
    ending = [
        Named(
            _("{number} ends before {day}", number=one.order.number, day=plain_day(one.order.ends_before)),
            customer=codes[one.order.customer_id],
        )
        for one in orders.order_uses(month, month_after(month))
        if one.order.ends_before is not None and one.order.ends_before <= last
    ]
    if ending:
        sentence = _n(
            "{count} purchase order end with the next month or before.",
            "{count} purchase orders end with the next month or before.",
            len(ending),
        )
        yield _check("order_ending", ending, sentence)


def _orders_spent(month: date) -> Iterator[Check]:
    """Orders of the month of which less than a tenth is left, or nothing."""
    codes = _customer_codes()
    spent = [
        Named(
            _(
                "{number}: {amount} {currency} left",
                number=one.order.number,
                amount=phrases.amount(amount_text(one.left, one.order.currency)),
                currency=one.order.currency,
            ),
            customer=codes[one.order.customer_id],
        )
        for one in orders.order_uses(month, month_after(month))
        if one.left is not None and one.use is not Use.WITHIN
    ]
    if spent:
        sentence = _n(
            "{count} purchase order have less than a tenth left.",
            "{count} purchase orders have less than a tenth left.",
            len(spent),
        )
        yield _check("order_spent", spent, sentence)


def _customer_codes() -> dict[UUID, str]:
    return {customer.id: customer.code for customer in accounts.queries.customers()}


def _prices_waiting(month: date) -> Iterator[Check]:
    rows = PriceVersion.objects.filter(amount=None, effective_from__lt=month_after(month))
    named = [
        Named(
            _(
                "{item} from {day}: index {code} of {month}",
                item=one.item.name,
                day=plain_day(one.effective_from),
                code=one.index_code,
                month=plain_month(one.index_month or one.effective_from),
            )
        )
        for one in rows.select_related("item").order_by("item__code", "effective_from")
    ]
    if named:
        sentence = _n(
            "{count} price waits for an index figure. Enter it, or what it prices is held.",
            "{count} prices wait for an index figure. Enter it, or what it prices is held.",
            len(named),
        )
        yield _check("index_missing", named, sentence, stops=True)


def _events_held() -> Iterator[Check]:
    """Events that the last close could not dispose of for good, by reason; those that only wait for time are not named."""
    later = EventDisposition.objects.filter(
        event_id=OuterRef("event_id"), close__month__gt=OuterRef("close__month")
    )
    held = EventDisposition.objects.filter(~Exists(later), outcome=Outcome.HELD).exclude(reason__in=WAITING)
    for row in held.order_by().values("reason").annotate(events=Count("id")).order_by("reason"):
        sites = held.filter(reason=row["reason"]).exclude(site_id=None).order_by()
        named = _named_sites(set(sites.values_list("site_id", flat=True).distinct()[:SHOWN]))
        yield Check(
            "events_held",
            stops=True,
            count=row["events"],
            sentence=_n(
                "{count} event held: {why}",
                "{count} events held: {why}",
                row["events"],
                why=reason_words(row["reason"]),
            ),
            rows=named,
        )


def _sites_without_contract(month: date) -> Iterator[Check]:
    """Sites with a service agreement in the month that no contract covers, where the operator has contracts at all."""
    if not ContractSite.objects.exists():
        return
    end = month_after(month)
    agreed = (
        accounts.queries.agreements().filter(starts_on__lt=end).filter(Q(ends_on=None) | Q(ends_on__gt=month))
    )
    covered = ContractSite.objects.filter(starts_on__lt=end).filter(
        Q(ends_before=None) | Q(ends_before__gt=month)
    )
    bare = set(agreed.order_by().values_list("site_id", flat=True)) - set(
        covered.order_by().values_list("site_id", flat=True)
    )
    if bare:
        sentence = _n(
            "{count} site has a service agreement and no contract in {month}; the price list holds there.",
            "{count} sites have a service agreement and no contract in {month}; the price list holds there.",
            len(bare),
            month=phrases.month(month),
        )
        yield Check(
            "without_contract",
            stops=False,
            count=len(bare),
            sentence=sentence,
            rows=_named_sites(bare),
        )


def served_and_billed(month: date) -> list[Check]:
    """Units served in a month without a charge, and units charged for it that nobody served; after its close.

    A unit at a site that is charged whole (a flat fee, a base, a visit) counts as charged. Only sites with a service
    every month count as not served.
    """
    charged = Charge.objects.filter(starts_on__lt=month_after(month), ends_before__gt=month).exclude(amount=0)
    of_unit = charged.filter(subject_id=OuterRef("subject_id"))
    of_site = charged.filter(rule__in=BY_SITE, site_id=OuterRef("site_id"))
    served = EventDisposition.objects.filter(Exists(_services(month).filter(event_id=OuterRef("event_id"))))
    served = served.exclude(outcome=Outcome.SUPERSEDED)
    unbilled = served.filter(~Exists(of_unit), ~Exists(of_site))
    monthly = accounts.queries.agreements().filter(interval_months=1, site_id=OuterRef("site_id"))
    unserved = charged.filter(
        Exists(monthly.order_by()),
        ~Exists(_services(month).filter(subject_id=OuterRef("subject_id"))),
        rule=Rule.UNIT_MONTH,
    )
    name = phrases.month(month)
    served_units, billed_units = _units_of(unbilled), _units_of(unserved)
    return [
        *_units_named(
            "served_not_billed",
            unbilled,
            served_units,
            _n(
                "{count} unit was served in {month}, and nothing is billed for that.",
                "{count} units were served in {month}, and nothing is billed for that.",
                served_units,
                month=name,
            ),
        ),
        *_units_named(
            "billed_not_served",
            unserved,
            billed_units,
            _n(
                "{count} unit was billed for {month}, and nobody served them in it.",
                "{count} units were billed for {month}, and nobody served them in it.",
                billed_units,
                month=name,
            ),
        ),
    ]


def _services(month: date) -> QuerySet[Any, Any]:
    """Services of units in the month, by dates of the operator's zone."""
    zone = ZoneInfo(accounts.queries.get_operator().zone)
    since, until = (
        datetime.combine(day, time(), zone).astimezone(UTC) for day in (month, month_after(month))
    )
    return (
        log.stored_events()
        .order_by()
        .filter(occurred_at__gte=since, occurred_at__lt=until, subject_kind="unit", type__in=SERVICES)
    )


def _units_of(rows: QuerySet[Any, Any]) -> int:
    return rows.order_by().values("subject_id").distinct().count()


def _units_named(kind: str, rows: QuerySet[Any, Any], number: int, sentence: str) -> Iterator[Check]:
    """The units of these rows, of which the first in the order of their ids are named."""
    if not number:
        return
    sites = dict(rows.order_by("subject_id").values_list("subject_id", "site_id").distinct()[:SHOWN])
    codes, places = (
        fleet.queries.unit_codes(set(sites)),
        accounts.queries.sites_in(set(sites.values()) - {None}),
    )
    named = []
    for unit_id, site_id in sites.items():
        site, code = places.get(site_id), codes.get(unit_id, "")
        named.append(Named(site.name if site else code, site=site.code if site else "", unit=code))
    named.sort(key=lambda one: (one.site, one.unit))
    yield Check(kind, stops=False, count=number, sentence=sentence, rows=tuple(named))


def _check(kind: str, rows: Sequence[Named], sentence: str, *, stops: bool = False) -> Check:
    return Check(kind, stops, len(rows), sentence, tuple(rows[:SHOWN]))


def _named_sites(site_ids: Collection[UUID]) -> tuple[Named, ...]:
    sites = sorted(accounts.queries.sites_in(site_ids).values(), key=lambda site: site.code)
    return tuple(Named(site.name, site=site.code) for site in sites[:SHOWN])
