"""Whether a site's days up to a close would be rated otherwise by what is agreed now than by what was agreed then."""

from __future__ import annotations

import hashlib
from datetime import date
from typing import Any

import orjson

from billing.rules.inputs import Inputs, Site


def mark(inputs: Inputs, site: Site, until: date) -> str:
    """A digest of all that is agreed of a site's days before ``until``: agreements, standstills, contracts and terms.

    An end on or after ``until`` plays no part, so that what only concerns later days gives the same mark.
    """
    content = {
        "agreements": [
            (a.id, a.starts_on, _clipped(a.ends_before, until), a.interval_months)
            for a in site.agreements
            if a.starts_on < until
        ],
        "contracts": [
            _contract(inputs, site, row, until) for row in inputs.covers_of(site.id) if row.starts_on < until
        ],
        "due_days": [due for due in site.due_days if due.due_on < until],
        "standstills": [
            (p.starts_on, None if p.ends_on is None or p.ends_on >= until else p.ends_on, p.billing)
            for p in site.standstills
            if p.starts_on < until
        ],
        "zone": site.zone,
    }
    data = orjson.dumps(content, default=str, option=orjson.OPT_SORT_KEYS)
    return hashlib.sha256(data).hexdigest()[:16]


def _contract(inputs: Inputs, site: Site, row: Any, until: date) -> tuple[Any, ...]:
    contract = inputs.contracts[row.contract_id]
    return (
        contract.id,
        row.starts_on,
        _clipped(row.ends_before, until),
        contract.starts_on,
        _clipped(contract.ends_before, until),
        [terms for terms in contract.terms if terms.effective_from < until],
    )


def _clipped(ends_before: date | None, until: date) -> date | None:
    return None if ends_before is None or ends_before >= until else ends_before
