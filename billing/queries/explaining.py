"""Why a charge is what it is: its clause, its price, the events behind it, its arithmetic, and where it stands."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from accounts.errors import NotFound
from accounts.languages import _
from billing.models import Charge, DocumentLine, EventDisposition, PriceVersion
from billing.rules.dating import plain_day
from billing.rules.documents import decimal_text
from billing.rules.rating import Rule
from billing.rules.wording import (
    Figures,
    arithmetic,
    clause_words,
    disposition_words,
    price_words,
    rule_words,
)
from servicing.queries import events as log
from servicing.queries.events import KnownEvent

# What says where a unit hung: behind every charge of its days.
TENURE = ("unit.installed", "unit.moved", "unit.opened", "unit.withdrawn")


@dataclass(frozen=True, slots=True)
class EventBehind:
    """An event that the charge rests on. ``became`` is what the last close made of it, as a sentence."""

    event_id: UUID
    type: str
    subject_id: UUID
    occurred_at: datetime
    standing: str
    became: str


@dataclass(frozen=True, slots=True)
class Place:
    """One row of the charge and the line it stands on; number "" and line 0 while it is open."""

    month: date
    kind: str
    amount: Decimal
    number: str
    line: int
    issued_on: date | None


@dataclass(frozen=True, slots=True)
class Explanation:
    """A charge explained. ``price_version`` None for a line that no price made, such as a minimum."""

    charge: Charge
    what: str
    clause: str
    price_version: dict[str, Any] | None
    price: str
    events: tuple[EventBehind, ...]
    arithmetic: tuple[str, ...]
    standing: Decimal
    places: tuple[Place, ...]

    @property
    def sentences(self) -> list[str]:
        """All of it in words, in the order one would tell it."""
        return [
            _("This line is for {what}.", what=self.what),
            self.clause,
            *([self.price] if self.price else []),
            *self.arithmetic,
        ]


def get_charge(charge_id: UUID) -> Charge:
    charge = Charge.objects.select_related("close", "customer").filter(id=charge_id).first()
    if charge is None:
        raise NotFound(_("There is no charge here with this id."))
    return charge


def explain(charge_id: UUID) -> Explanation:
    """One charge row explained from what is stored; NotFound for one that is absent or another operator's."""
    charge = get_charge(charge_id)
    rows = list(Charge.objects.filter(key=charge.key, subject_id=charge.subject_id).select_related("close"))
    rows.sort(key=lambda row: row.close.month)
    before = [row.amount for row in rows if row.close.month < charge.close.month]
    standing = sum((row.amount for row in rows), Decimal(0))
    version = _version(charge.price_version_id)
    figures = Figures(
        rule=Rule(charge.rule),
        unit_price=charge.unit_price,
        currency=charge.currency,
        part=charge.part,
        whole=charge.whole,
        starts_on=charge.starts_on,
        ends_before=charge.ends_before,
        amount=charge.amount,
        earlier=sum(before, Decimal(0)) if before else None,
        workings=charge.workings,
    )
    return Explanation(
        charge=charge,
        what=_what(charge),
        clause=clause_words(charge.clause, charge.contract_number, charge.agreement_number),
        price_version=version,
        price=price_words(version, charge.item_name) if version else "",
        events=tuple(_events_behind(charge)),
        arithmetic=tuple(arithmetic(figures)),
        standing=standing,
        places=tuple(_places(rows)),
    )


def _what(charge: Charge) -> str:
    parts = [rule_words(charge.rule)]
    if charge.unit_code:
        parts.append(_("unit {code}", code=charge.unit_code))
    if charge.place:
        parts.append(charge.place)
    if charge.site_name:
        parts.append(_("at {site}", site=charge.site_name))
    return _("{what}, on {day}", what=", ".join(parts), day=plain_day(charge.service_on))


def _version(version_id: UUID | None) -> dict[str, Any] | None:
    row = PriceVersion.objects.select_related("contract", "site").filter(id=version_id).first()
    if row is None:
        return None
    scope = _("of the price list")
    if row.site is not None:
        scope = _("of contract {number} for site {site}", number=row.contract.number, site=row.site.code)
    elif row.contract is not None:
        scope = _("of contract {number}", number=row.contract.number)
    return {
        "id": row.id,
        "amount": None if row.amount is None else decimal_text(row.amount),
        "currency": row.currency,
        "effective_from": row.effective_from,
        "effective_to": row.effective_to,
        "scope": scope,
        "index": _index(row) if row.index_code else None,
    }


def _index(row: PriceVersion) -> dict[str, Any]:
    return {
        "code": row.index_code,
        "month": f"{row.index_month:%Y-%m}",
        "base_month": f"{row.index_base_month:%Y-%m}",
        "prior_amount": decimal_text(row.prior_amount),
        "cap": None if row.index_cap_percent is None else decimal_text(row.index_cap_percent),
        "floor": None if row.index_floor_percent is None else decimal_text(row.index_floor_percent),
        "decimals": row.index_decimals,
    }


def _events_behind(charge: Charge) -> list[EventBehind]:
    """The event itself; for a unit's days, what moved it; for the lines of a visit or a site, its billed events of then."""
    head = log.head_position()
    if charge.event_id is not None:
        known = log.known_events(upto=head, event_ids={charge.event_id})
    elif charge.unit_code:
        known = log.known_events(upto=head, subject_ids={charge.subject_id}, types=TENURE)
    else:
        known = log.known_events(upto=head, event_ids=_billed_at(charge))
    became = _became({event.event_id for event in known})
    return [
        EventBehind(
            event.event_id,
            str(event.type),
            event.subject_id,
            event.occurred_at,
            event.standing,
            became.get(event.event_id, ""),
        )
        for event in known
        if _is_of(charge, event)
    ]


def _is_of(charge: Charge, event: KnownEvent) -> bool:
    """A unit's later moves have no part in the charge."""
    return (
        charge.event_id is not None or not charge.unit_code or event.occurred_at.date() <= charge.ends_before
    )


def _billed_at(charge: Charge) -> set[UUID]:
    rows = Charge.objects.filter(
        site_id=charge.site_id,
        service_on__gte=charge.starts_on,
        service_on__lt=charge.ends_before,
        event_id__isnull=False,
    )
    if charge.rule == Rule.VISIT_MINIMUM:
        rows = rows.filter(service_on=charge.service_on)
    return set(rows.order_by().values_list("event_id", flat=True))


def _became(event_ids: Collection[UUID]) -> dict[UUID, str]:
    rows = EventDisposition.objects.filter(event_id__in=event_ids).order_by("close__month")
    return {row.event_id: disposition_words(row.outcome, row.reason, row.clause, row.counter) for row in rows}


def _places(rows: list[Charge]) -> list[Place]:
    lines = {
        line.charge_id: line
        for line in DocumentLine.objects.filter(charge__in=rows).select_related("document")
    }
    found = []
    for row in rows:
        line = lines.get(row.id)
        found.append(
            Place(
                row.close.month,
                row.kind,
                row.amount,
                line.document.number if line else "",
                line.line if line else 0,
                line.document.issued_on if line else None,
            )
        )
    return found
