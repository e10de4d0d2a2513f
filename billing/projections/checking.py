"""Every close rated again from the log at its cut and its frozen inputs, and held against what is stored."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from decimal import Decimal
from uuid import UUID

from accounts import tenancy
from billing.models import PeriodClose
from billing.projections import reading, remaking
from billing.projections.grouping import Place, grouped
from billing.queries import closes
from billing.rules.dispositions import Disposition
from billing.rules.documents import digest
from billing.rules.freezing import thawed
from billing.rules.months import month_after
from billing.rules.rating import Work, rate
from servicing.queries import worked

THE_FIRST_INSTANT = datetime.min.replace(tzinfo=UTC)  # nothing happened before it


def check(operator_id: UUID) -> list[str]:
    """Rate every close again from the log at its cut and its frozen inputs; the differences as sentences, [] if none.

    Rates each place from the beginning, so it also checks that rating only what is new gave the same.
    """
    with tenancy.operator_scope(operator_id, read_only=True):
        every = list(closes.closes_in_order())
        problems = [problem for close in every for problem in _check_close(close)]
        return problems + remaking.document_problems() + _check_sums()


def _check_close(close: PeriodClose) -> list[str]:
    hashes = hashlib.sha256(digest(close.inputs).encode())
    expected: dict[UUID, Disposition] = {}
    amounts: dict[str, Decimal] = {}
    grouping = grouped(0, close.cut_position, THE_FIRST_INSTANT, set())
    superseded = worked.superseded_upto(close.cut_position)
    last = closes.parts_of(close).count()
    for part in closes.parts_of(close).iterator(chunk_size=1):
        hashes.update(digest(part.inputs).encode())
        inputs = thawed({**close.inputs, **part.inputs})
        places = {id(p): p for s in inputs.sites if (p := grouping.place_of_site.get(s)) is not None}
        own = [*places.values(), *([grouping.nowhere] if part.part == last else [])]
        for work in _works(own, close.cut_position, superseded):
            rated = rate(
                inputs,
                work,
                first_month=inputs.charged_from or close.month,
                open_from=month_after(close.month),
            )
            expected |= {d.event_id: d for d in rated.dispositions}
            amounts |= {c.key: c.amount for c in rated.charges}
    problems = (
        [] if hashes.hexdigest() == close.inputs_sha256 else [f"{_name(close)}: its inputs were changed."]
    )
    return problems + _check_fates(close, expected) + _check_amounts(close, amounts)


def _works(places: Sequence[Place], cut: int, superseded: Mapping[UUID, UUID]) -> list[Work]:
    """The places' events known at a cut."""
    found = [Work(sites=set(place.sites)) for place in places]
    work_of = {
        subject: work
        for place, work in zip(places, found, strict=True)
        for subject in (*place.units, *place.others, *place.sites)
    }
    for row in worked.work_of(work_of.keys(), upto=cut, superseded=superseded):
        work = work_of[row.subject_id]
        group = work.units if row.subject_kind == "unit" else work.others
        group.setdefault(row.subject_id, []).append(reading.happening(row))
    return found


def _check_fates(close: PeriodClose, expected: Mapping[UUID, Disposition]) -> list[str]:
    stored = closes.dispositions_at(close)
    return [
        f"{_name(close)}: event {event_id} is {_fate(stored.get(event_id))}, but the log gives {_fate(expected.get(event_id))}."
        for event_id in sorted(expected.keys() | stored.keys())
        if expected.get(event_id) != stored.get(event_id)
    ]


def _check_amounts(close: PeriodClose, expected: Mapping[str, Decimal]) -> list[str]:
    stored = closes.amounts_at(close)
    return [
        f"{_name(close)}: charge {key} stands at {stored.get(key, 0)}, but the log gives {expected.get(key, 0)}."
        for key in sorted(expected.keys() | stored.keys())
        if expected.get(key, 0) != stored.get(key, 0)
    ]


def _check_sums() -> list[str]:
    """What was charged is what was invoiced and what is still open, by currency."""
    charged, invoiced, still_open = closes.sums()
    return [
        f"{currency}: {amount} was charged, but {invoiced.get(currency, 0)} invoiced and {still_open.get(currency, 0)} open."
        for currency, amount in sorted(charged.items())
        if amount != invoiced.get(currency, 0) + still_open.get(currency, 0)
    ]


def _name(close: PeriodClose) -> str:
    return f"Close of {close.month:%Y-%m}"


def _fate(disposition: Disposition | None) -> str:
    if disposition is None:
        return "without a disposition"
    return " ".join(
        filter(None, (disposition.outcome, disposition.reason, disposition.clause, disposition.counter))
    )
