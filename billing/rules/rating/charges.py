"""What rating gives: charges by rules, their keys, and the months they belong to."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from datetime import date, datetime
from decimal import Decimal
from enum import StrEnum
from functools import lru_cache
from operator import attrgetter
from typing import Any
from uuid import UUID

from billing.rules.dispositions import Disposition, Reason
from billing.rules.inputs import Inputs, Site, Station
from billing.rules.money import share_of
from billing.rules.pricing import LISTED, Cover, Price


class Rule(StrEnum):
    """By which rule a charge arose."""

    EVENT = "event"
    INSTALL = "install"
    UNIT_MONTH = "unit_month"
    SITE_MONTH = "site_month"
    EXTRA_UNIT = "extra_unit"
    VISIT = "visit"
    CALL_OUT = "call_out"
    VISIT_MINIMUM = "visit_minimum"
    INVOICE_MINIMUM = "invoice_minimum"
    MISSED_SERVICE = "missed_service"
    CLAW_BACK = "claw_back"


@dataclass(
    slots=True
)  # not frozen: a close makes a million, and a frozen one takes five times as long to make
class Charge:
    """Money from one event, or for one unit, visit or site in one month at one price.

    ``part`` of ``whole`` is what is billed of the price: days in service (in half days) of the days of the month, or
    1 of 1. The period is ``starts_on`` until the day before ``ends_before``, in local dates. ``clause`` is the rule of the
    contract or the list that it follows, ``workings`` the figures of its arithmetic, ``in_advance`` whether its days were
    still to come at the cut. ``billed_with``: the month at whose close it is due, if not its own.
    """

    key: str
    rule: Rule
    subject_id: UUID
    event_id: UUID | None
    item_code: str
    item_name: str
    price_version_id: UUID | None
    unit_price: Decimal
    currency: str
    customer_id: UUID
    agreement_id: UUID | None
    agreement_number: str
    site_id: UUID | None
    site_code: str
    site_name: str
    unit_code: str
    place: str
    service_on: date
    occurred_at: datetime | None
    starts_on: date
    ends_before: date
    part: Decimal
    whole: int
    amount: Decimal
    clause: str = LISTED
    contract_id: UUID | None = None
    contract_number: str = ""
    tax_class: str = "standard"
    revenue_account: str = ""
    in_advance: bool = False
    workings: Mapping[str, Any] = field(default_factory=dict)
    billed_with: date | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class Held:
    """What should have been charged and could not be: the days, or the event, and why."""

    reason: Reason
    customer_id: UUID
    site_id: UUID
    site_code: str
    subject_id: UUID
    item_code: str
    starts_on: date
    ends_before: date
    event_id: UUID | None = None


@dataclass(slots=True)
class Rated:
    """What the events of some subjects came to. The counts are days of the last month that nothing was billed for."""

    dispositions: list[Disposition] = field(default_factory=list)
    charges: list[Charge] = field(default_factory=list)
    held: list[Held] = field(default_factory=list)
    days_without_price: int = 0
    days_without_agreement: int = 0


def charge_key(operator_id: UUID, rule: Rule, *parts: object) -> str:
    """The same work at the same price under the same agreement always gives the same key, whenever it is rated."""
    text = "|".join([str(operator_id), str(rule), *(str(part) for part in parts)])
    return _key(text)


def _key(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


_values_of = attrgetter(*(one.name for one in fields(Charge)))
_OWN = ("key", "subject_id", "event_id", "unit_code", "place", "occurred_at")
_KEY, _SUBJECT, _EVENT, _UNIT, _PLACE, _OCCURRED = (
    [one.name for one in fields(Charge)].index(name) for name in _OWN
)


class Like:
    """A charge from which others are made that differ only in whose they are and where: a whole site's are so.

    ``about``: the id in its key's parts by which theirs differ.
    """

    __slots__ = ("_after", "_before", "_values")

    def __init__(self, charge: Charge, operator_id: UUID, parts: Sequence[object], about: UUID) -> None:
        text = "|".join([str(operator_id), str(charge.rule), *(str(part) for part in parts)])
        self._before, self._after = text.split(str(about))
        self._values = list(_values_of(charge))

    def of(
        self,
        about: UUID,
        *,
        subject_id: UUID,
        event_id: UUID | None,
        unit_code: str,
        place: str,
        occurred_at: datetime | None,
    ) -> Charge:
        values = self._values
        values[_KEY] = _key(f"{self._before}{about}{self._after}")
        values[_SUBJECT], values[_EVENT] = subject_id, event_id
        values[_UNIT], values[_PLACE], values[_OCCURRED] = unit_code, place, occurred_at
        return Charge(*values)


def charge_of(
    *,
    rule: Rule,
    key: str,
    subject_id: UUID,
    price: Price,
    cover: Cover,
    clause: str,
    site: Site,
    station: Station | None,
    service_on: date,
    days: tuple[date, date],
    part: Decimal,
    whole: int,
    amount: Decimal,
    workings: Mapping[str, Any],
    event_id: UUID | None = None,
    unit_code: str = "",
    occurred_at: datetime | None = None,
    billed_with: date | None = None,
    in_advance: bool = False,
) -> Charge:
    """A charge at a price, described by its item, its contract or agreement, and its place."""
    item, version = price.item, price.version
    agreement, contract = cover.agreement, cover.contract
    return Charge(
        key=key,
        rule=rule,
        subject_id=subject_id,
        event_id=event_id,
        item_code=item.code,
        item_name=item.name,
        price_version_id=version.id if version else None,
        unit_price=price.amount,
        currency=version.currency if version else "",
        customer_id=site.customer_id,
        agreement_id=agreement.id if agreement else None,
        agreement_number=agreement.number if agreement else "",
        site_id=site.id,
        site_code=site.code,
        site_name=site.name,
        unit_code=unit_code,
        place=station.label if station else "",
        service_on=service_on,
        occurred_at=occurred_at,
        starts_on=days[0],
        ends_before=days[1],
        part=part,
        whole=whole,
        amount=amount,
        clause=clause,
        contract_id=contract.id if contract else None,
        contract_number=contract.number if contract else "",
        tax_class=item.tax_class,
        revenue_account=item.revenue_account,
        in_advance=in_advance,
        workings=workings,
        billed_with=billed_with,
    )


def step_for(inputs: Inputs, cover: Cover, currency: str) -> Decimal:
    """The smallest amount that a charge in this currency can have: what its document can say."""
    contract_id = cover.contract.id if cover.contract else None
    key = ("step", contract_id, currency)
    known: Decimal | None = inputs.found.get(key)
    if known is None:
        known = inputs.found[key] = inputs.step(inputs.entity_of(contract_id), currency)
    return known


share = lru_cache(maxsize=4096)(share_of)
