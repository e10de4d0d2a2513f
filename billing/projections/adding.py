"""What a close adds to what earlier closes made of the log, part by part; and where billing begins and goes on."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Protocol
from uuid import UUID

import accounts.queries
from billing.models import PeriodClose
from billing.projections import checking, reading
from billing.projections.grouping import Grouping, Part, grouped
from billing.projections.parting import Added, Earlier, add_part, older_lines
from billing.projections.reading import Closing
from billing.projections.spooling import Spool, Waiting
from billing.queries import closes
from billing.rules.documents import digest
from billing.rules.freezing import frozen_shared
from billing.rules.inputs import local_day
from billing.rules.invoicing import Line
from billing.rules.months import month_after, month_of
from billing.rules.rating import Held
from servicing.queries import events as log
from servicing.queries import worked

check = checking.check


@dataclass(slots=True)
class Sum:
    """What the parts of a close come to together; the parts themselves wait in the spool."""

    closing: Closing
    spool: Parts
    inputs: dict[str, Any]
    inputs_sha256: str = ""
    parts: int = 0
    held: list[Held] = field(default_factory=list)
    days_without_price: int = 0
    days_without_agreement: int = 0

    def add(self, held: Iterable[Held], days_without_price: int, days_without_agreement: int) -> None:
        """Count one part in."""
        self.parts += 1
        self.held += held
        self.days_without_price += days_without_price
        self.days_without_agreement += days_without_agreement


class Parts(Protocol):
    """Where the rated parts of a close wait."""

    def parts(self) -> Iterator[Waiting]:
        """The parts in their order, from the first one at each call."""
        ...


@dataclass(frozen=True, slots=True)
class Plan:
    """How a close is taken apart, and what earlier closes left for it."""

    closing: Closing
    parts: list[Part]
    earlier: Earlier

    def rated(self, part: Part) -> Added:
        """What a part adds; nothing is written."""
        return add_part(self.closing, part, self.earlier)

    def older(self, part: Part) -> list[tuple[UUID, Line]]:
        return older_lines(part, self.earlier)


def begin(month: date, cut: int, previous: PeriodClose | None) -> Closing:
    """What a close of a month at a position of the log starts from."""
    return Closing(month, previous, cut, worked.superseded_upto(cut), reading.read_shared())


def rate_parts(closing: Closing, spool: Spool, progress: Callable[[int, int], None] | None = None) -> Sum:
    """Rate the close part by part into the spool, so that memory holds one part at a time; nothing is written yet."""
    total = Sum(closing, spool, frozen_shared(closing.shared))
    plan = planned(closing)
    hashes = hashlib.sha256(digest(total.inputs).encode())
    for part in plan.parts:
        added = plan.rated(part)
        hashes.update(hashlib.sha256(added.frozen).hexdigest().encode())
        total.add(added.held, added.days_without_price, added.days_without_agreement)
        spool.put(added)
        if progress is not None:
            progress(total.parts, 2 * len(plan.parts))
    total.inputs_sha256 = hashes.hexdigest()
    return total


def planned(closing: Closing) -> Plan:
    """The parts of a close, in their order, for an operator whose log is read up to the cut."""
    open_lines: dict[UUID, list[Any]] = defaultdict(list)
    for row in closes.open_charges() if closing.previous else ():
        open_lines[row.customer_id].append((row.id, closes.as_line(row)))
    payers = closes.payers()
    due = {payers.get(customer_id, customer_id) for customer_id in open_lines}
    grouping = grouped(closing.after, closing.cut, closing.began_everywhere, due)
    earlier = Earlier(open_lines=open_lines)
    if closing.previous is not None:
        _mark_what_waits(closing, closing.previous, grouping, earlier)
    return Plan(closing, grouping.parts, earlier)


def _mark_what_waits(closing: Closing, previous: PeriodClose, grouping: Grouping, earlier: Earlier) -> None:
    """Where held events are, and which places are rated again since something they hang on was held or corrected."""
    waiting = defaultdict(list)
    for disposition in closes.held_dispositions():
        place = grouping.place_of(disposition.subject_id, disposition.site_id)
        waiting[id(place)].append(disposition)
    earlier.waiting = dict(waiting)
    earlier.marks = closes.marks_of(previous)
    corrected = worked.corrected_after(closing.after, upto=closing.cut)
    for subject_id in corrected:
        grouping.place_of(subject_id).is_again = True
    # A visit without a new event of its own is known by where its events were disposed of.
    for disposition in closes.dispositions_of(corrected - grouping.place_of_subject.keys(), ()).values():
        grouping.place_of(disposition.subject_id, disposition.site_id).is_again = True
    for held in previous.held:
        if held["reason"] == "index_missing":
            grouping.place_of(UUID(held["site"])).is_again = True


def first_month(closing: Closing) -> date | None:
    """Where billing begins: the month of the first price, or of the first installation or contract if that is later.

    None without prices. Before anything is installed or agreed it is the month of the first price.
    """
    priced = closes.first_price_on()
    if priced is None:
        return None
    zone = accounts.queries.get_operator().zone
    installed_at = worked.first_installed(upto=closing.cut, superseded=closing.superseded)
    begun = [local_day(installed_at, zone)] if installed_at is not None else []
    if (covered := closes.first_covered_on()) is not None:
        begun.append(covered)
    return month_of(max(priced, min(begun, default=priced)))


def next_month() -> date | None:
    """The month to close next, whether it has ended or not; None before there are prices."""
    last = closes.last_close()
    if last is not None:
        return month_after(last.month)
    cut = log.head_position()
    return first_month(Closing(date.min, None, cut, worked.superseded_upto(cut), reading.read_shared()))
