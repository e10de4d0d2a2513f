"""Which price a piece of work has on a day: the site's own, its contract's, or the list's."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from billing.rules.inputs import Item, Version


def price_on(items: Iterable[Item], day: date) -> tuple[Item, Version | None] | None:
    """The first of these items that has begun by a day in the list, and its price then (None: a gap in its prices).

    Before its first price an item is not there, so that a new one changes no day before it.
    """
    for item in items:
        if any(version.effective_from <= day for version in item.versions if version.contract_id is None):
            return item, item.version_on(day)
    return None
