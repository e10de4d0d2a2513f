"""Purchase orders: which one a charge falls under, and how much of its limit is used."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from uuid import UUID

from billing.rules.inputs import covers
from billing.rules.parties import Order
from billing.rules.rating import Charge
from billing.rules.tax import tax_point

NEARLY = Decimal("0.9")  # of its limit: common practice, no source


class Use(StrEnum):
    """How an order stands to its limit."""

    WITHIN = "within"
    NEARLY_USED = "nearly_used"
    OVER = "over"


@dataclass(frozen=True, slots=True)
class OrderUse:
    """An order, what was invoiced under it, net and less what was given back, and how that stands to its limit."""

    order: Order
    used: Decimal
    use: Use

    @property
    def left(self) -> Decimal | None:
        """What is left of its limit, nothing at least; None where it has none."""
        return None if self.order.limit is None else max(self.order.limit - self.used, Decimal(0))


def order_for(charge: Charge, customer_ids: Collection[UUID], orders: Iterable[Order]) -> Order | None:
    """The order that a charge falls under: one of these customers in its currency, valid on the day of the work.

    One for the site goes before one for all sites, then the one that began last, then by number. What is charged by the
    month falls under the order of its last day.
    """
    day = tax_point(charge)
    valid = [
        order
        for order in orders
        if order.customer_id in customer_ids
        and order.currency == charge.currency
        and order.site_id in {None, charge.site_id}
        and covers(order.starts_on, order.ends_before, day)
    ]
    return min(
        valid, key=lambda o: (o.site_id is None, -o.starts_on.toordinal(), o.number, o.id), default=None
    )


def use_of(order: Order, used: Decimal) -> OrderUse:
    """How an order stands once ``used`` has been invoiced under it; one without a limit is always within."""
    if order.limit is None or used < order.limit * NEARLY:
        return OrderUse(order, used, Use.WITHIN)
    return OrderUse(order, used, Use.NEARLY_USED if used <= order.limit else Use.OVER)
