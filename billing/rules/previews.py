"""What closing a month would give, as plain JSON, and what is other than in the preview before it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from billing.rules.documents import amount_text, canonical_bytes

Row = Mapping[str, Any]


def changes(before: Mapping[str, Any], now: Mapping[str, Any]) -> dict[str, Any]:
    """Where two summaries of one month differ; every list is empty when they do not.

    ``totals``: a customer's sum of a rule in a currency, with ``was``, ``now`` and their ``difference``. ``documents``: the
    same of the document that a payer would get. ``held``: what is held now and was not, and what no longer is.
    """
    return {
        "totals": _amounts(
            before["totals"], now["totals"], ("customer", "name", "currency", "rule"), "amount"
        ),
        "documents": _amounts(
            before["documents"], now["documents"], ("kind", "payer", "name", "currency", "group"), "total"
        ),
        "held": _listed(before["held"], now["held"]),
    }


def _amounts(
    before: Sequence[Row], now: Sequence[Row], named: tuple[str, ...], field: str
) -> list[dict[str, Any]]:
    was, now_is = _by(before, named), _by(now, named)
    found = []
    for key in sorted(was.keys() | now_is.keys()):
        old, new = was.get(key), now_is.get(key)
        amounts = [Decimal(row[field]) if row else Decimal(0) for row in (old, new)]
        if (old is None) != (new is None) or amounts[0] != amounts[1]:
            row = new or old or {}
            currency = row["currency"]
            found.append(
                {
                    **{name: row[name] for name in named},
                    "was": amount_text(amounts[0], currency) if old else None,
                    "now": amount_text(amounts[1], currency) if new else None,
                    "difference": amount_text(amounts[1] - amounts[0], currency),
                }
            )
    return found


def _by(rows: Sequence[Row], named: tuple[str, ...]) -> dict[tuple[str, ...], Row]:
    return {tuple(str(row[name]) for name in named): row for row in rows}


def _listed(before: Sequence[Any], now: Sequence[Any]) -> dict[str, list[Any]]:
    key: Callable[[Any], bytes] = lambda one: canonical_bytes({"held": one})  # noqa: E731
    was, now_is = {key(one) for one in before}, {key(one) for one in now}
    return {
        "new": [one for one in now if key(one) not in was],
        "gone": [one for one in before if key(one) not in now_is],
    }
