"""A price that moves with a published index: what the clause says, and the price that two figures make of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_UP, Decimal, localcontext

from billing.rules.money import PRICE_DECIMALS


@dataclass(frozen=True, slots=True)
class IndexClause:
    """New price = prior price x figure of ``month`` / figure of ``base_month`` of the index ``code``.

    Both months are first days. ``cap_percent`` and ``floor_percent`` bound the change in percent of the prior price: 5 and
    -2 for at most 5 % more and at most 2 % less; None: no bound. Rounded once, to ``decimals``. ``prior_amount`` None: the
    price that holds until then.
    """

    code: str
    base_month: date
    month: date
    cap_percent: Decimal | None = None
    floor_percent: Decimal | None = None
    decimals: int = 2
    prior_amount: Decimal | None = None


def indexed_price(
    prior: Decimal,
    *,
    base_figure: Decimal,
    figure: Decimal,
    cap_percent: Decimal | None = None,
    floor_percent: Decimal | None = None,
    decimals: int = 2,
) -> Decimal:
    """The price of an index clause: moved, held within floor and cap, then rounded once, half away from zero.

    Amounts in one currency, figures in index points above 0, percentages of ``prior``. Fifty digits hold the quotient of
    figures with four decimals far beyond the half that the rounding looks at.
    """
    assert 0 <= decimals <= PRICE_DECIMALS, "a price keeps at most six decimals"
    with localcontext() as context:
        context.prec = 50
        moved = prior * figure / base_figure
        if floor_percent is not None:
            moved = max(moved, prior + prior * floor_percent / 100)
        if cap_percent is not None:
            moved = min(moved, prior + prior * cap_percent / 100)
        return moved.quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_UP)
