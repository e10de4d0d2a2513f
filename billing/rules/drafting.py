"""From open lines to invoices without a number: who pays, under which order, taxed as what, and what has to wait."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from decimal import Decimal
from enum import StrEnum
from uuid import UUID

from accounts.languages import N_, _
from billing.rules.dating import plain_day
from billing.rules.inputs import Customer, Inputs
from billing.rules.invoicing import Kind, Line
from billing.rules.money import rounded
from billing.rules.orders import order_for
from billing.rules.parties import Entity, Order, Profile
from billing.rules.rating import Charge, Rule, charge_key, month_after
from billing.rules.tax import NEEDS_VAT_ID, NoRate, Taxed, tax_groups, tax_point, taxed

MINIMUM_ITEM = ("invoice-minimum", N_("Minimum per invoice"))


class Hold(StrEnum):
    """Why lines can't be invoiced yet, though they are rated."""

    NO_ORDER = "no_order"
    NO_TAX_RATE = "no_tax_rate"
    NO_VAT_ID = "no_vat_id"


@dataclass(frozen=True, slots=True)
class Held:
    """A line that can't be invoiced before the office has entered something, and what in a sentence."""

    line: Line
    payer_id: UUID
    reason: Hold
    detail: str


@dataclass(frozen=True, slots=True)
class DraftLine:
    """A line as it stands on an invoice: its tax (None: its seller takes none), its order, the buyer's cost centre."""

    line: Line
    tax: Taxed | None
    po: str = ""
    cost_centre: str = ""

    @property
    def amount(self) -> Decimal:
        return self.line.charge.amount


@dataclass(frozen=True, slots=True)
class Draft:
    """An invoice without a number. ``group`` tells it apart from the payer's other invoices of the same close."""

    payer_id: UUID
    entity: Entity
    currency: str
    po_number: str
    payment_days: int
    group: str
    lines: tuple[DraftLine, ...]

    @property
    def net(self) -> Decimal:
        return sum((line.amount for line in self.lines), Decimal(0))

    @property
    def contract_number(self) -> str:
        """The contract that all its lines are under; "" where they are under several or one is under none."""
        numbers = {line.line.charge.contract_number for line in self.lines}
        return numbers.pop() if len(numbers) == 1 else ""


@dataclass(slots=True)
class Drafted:
    """Invoices in the order of the payers' codes; lines that wait until their payer's sum is not negative; held ones.

    ``added`` are the lines made here, which no charge row stands for yet: top-ups to a minimum.
    """

    drafts: list[Draft] = field(default_factory=list)
    still_open: list[Line] = field(default_factory=list)
    held: list[Held] = field(default_factory=list)
    added: list[Line] = field(default_factory=list)


@dataclass(frozen=True, slots=True, order=True)
class _Key:
    """What lines of one invoice have in common. It begins with the payer's code, so drafts sort by it."""

    payer_code: str
    payer_id: UUID
    entity_code: str
    currency: str
    po: str
    treatment: str
    payment_days: int
    outside: bool

    @property
    def digest(self) -> str:
        parts = (self.payer_id, self.entity_code, self.currency, self.po, self.treatment, self.payment_days)
        return hashlib.sha256("|".join(str(part) for part in (*parts, self.outside)).encode()).hexdigest()


def drafts(lines: Iterable[Line], inputs: Inputs, *, month: date) -> Drafted:
    """One invoice per payer, seller, currency, order, tax treatment and payment terms, its lines in a stable order.

    An invoice is never negative: where its lines sum to less than nothing, net or with tax, they all stay open, and a later
    close takes them up with its own until the sum is not negative. Lines that are all zero wait likewise. An invoice whose lines of
    ``month`` itself come to less than the payer's minimum gets a line for the rest.
    """
    return _Drafting(inputs, month).drafted(lines)


@dataclass(slots=True)
class _Terms:
    """What the lines of one customer, site, contract and currency share, and what was looked up for their days."""

    payer_id: UUID
    payer: Customer
    profile: Profile
    entity: Entity
    currency: str
    cost_centre: str
    taxes: dict[tuple[str, date], Taxed | NoRate | None] = field(default_factory=dict)
    orders: dict[date, Order | None] = field(default_factory=dict)
    keys: dict[tuple[str, bool], _Key] = field(default_factory=dict)

    def key(self, po: str, *, outside: bool) -> _Key:
        if (known := self.keys.get((po, outside))) is not None:
            return known
        days = self.profile.payment_days
        made = self.keys[po, outside] = _Key(
            payer_code=self.payer.code,
            payer_id=self.payer_id,
            entity_code=self.entity.code,
            currency=self.currency,
            po="" if self.profile.line_pos else po,
            treatment=self.profile.tax_treatment,
            payment_days=self.entity.payment_days if days is None else days,
            outside=outside,
        )
        return made


@dataclass(slots=True)
class _Drafting:
    """One run over a close's lines. What many lines share is looked up once."""

    inputs: Inputs
    month: date
    terms: dict[tuple[UUID | str | None, ...], _Terms] = field(default_factory=dict)
    entities: dict[str, Entity] = field(default_factory=dict)

    def drafted(self, lines: Iterable[Line]) -> Drafted:
        found = Drafted()
        grouped: dict[_Key, list[DraftLine]] = {}
        for line in lines:
            made = self._line(line)
            if isinstance(made, Held):
                found.held.append(made)
            else:
                key, drafted = made
                grouped.setdefault(key, []).append(drafted)
        for key in sorted(grouped):
            ordered = sorted(grouped[key], key=lambda one: one.line.sort_key)
            if self._waits(key, ordered):
                found.still_open += [one.line for one in ordered]
                continue
            top_up = self._top_up(key, ordered)
            if top_up is not None:
                found.added.append(top_up.line)
                ordered.append(top_up)
            found.drafts.append(self._draft(key, ordered))
        return found

    def _line(self, line: Line) -> tuple[_Key, DraftLine] | Held:
        charge = line.charge
        terms, day = self._terms(charge), tax_point(charge)
        tax, profile, payer = self._tax(line, terms, day), terms.profile, terms.payer
        if isinstance(tax, NoRate):
            return Held(
                line, payer.id, Hold.NO_TAX_RATE, _("{tax} Enter the rate, then close the month.", tax=tax)
            )
        if tax is not None and profile.tax_treatment in NEEDS_VAT_ID and not profile.vat_id:
            detail = _(
                "{name} has no VAT number, which its tax treatment needs on the document. Enter the number.",
                name=payer.name,
            )
            return Held(line, payer.id, Hold.NO_VAT_ID, detail)
        order = self._order(charge, terms, day)
        if order is None and profile.po_required:
            sentence = (
                _("{name} asks for a purchase order; none is valid for {day} at {site}. Enter one.")
                if charge.site_name
                else _("{name} asks for a purchase order; none is valid for {day}. Enter one.")
            )
            detail = sentence.format(name=payer.name, day=plain_day(day), site=charge.site_name)
            return Held(line, payer.id, Hold.NO_ORDER, detail)
        po = order.number if order else ""
        # Supplies outside the scope of tax can't share a document with others (BR-O-11 to BR-O-14).
        outside = tax is not None and tax.category == "O"
        return terms.key(po, outside=outside), DraftLine(line, tax, po, terms.cost_centre)

    def _terms(self, charge: Charge) -> _Terms:
        of = (charge.contract_id, charge.customer_id, charge.site_id, charge.currency)
        if (known := self.terms.get(of)) is not None:
            return known
        payer_id = self.inputs.payer_of(charge.customer_id)
        entity = self.inputs.entity_of(charge.contract_id)
        site = self.inputs.site_taxes.get(charge.site_id) if charge.site_id else None
        self.entities[entity.code] = entity
        made = self.terms[of] = _Terms(
            payer_id=payer_id,
            payer=self.inputs.customers[payer_id],
            profile=self.inputs.profile_of(payer_id),
            entity=entity,
            currency=charge.currency,
            cost_centre=site.cost_centre if site else "",
        )
        return made

    def _tax(self, line: Line, terms: _Terms, day: date) -> Taxed | NoRate | None:
        of = (line.charge.tax_class, day)
        if of not in terms.taxes:
            try:
                terms.taxes[of] = taxed(line, self.inputs)
            except NoRate as missing:
                terms.taxes[of] = missing
        return terms.taxes[of]

    def _order(self, charge: Charge, terms: _Terms, day: date) -> Order | None:
        if not self.inputs.orders:
            return None
        if day not in terms.orders:
            terms.orders[day] = order_for(charge, {terms.payer_id, charge.customer_id}, self.inputs.orders)
        return terms.orders[day]

    def _waits(self, key: _Key, lines: Sequence[DraftLine]) -> bool:
        """Whether the lines come to nothing, or to less than nothing before or after tax: rates may differ."""
        net = sum((one.amount for one in lines), Decimal(0))
        if net < 0 or not any(one.amount for one in lines):
            return True
        if all(one.amount >= 0 for one in lines):
            return False
        entity = self.entities[key.entity_code]
        step = self.inputs.step(entity, key.currency)
        groups = tax_groups(((one.amount, one.tax) for one in lines), step=step, basis=entity.tax_basis)
        return net + sum(group.tax for group in groups) < 0

    def _draft(self, key: _Key, lines: Sequence[DraftLine]) -> Draft:
        orders = {one.po for one in lines}
        return Draft(
            payer_id=key.payer_id,
            entity=self.entities[key.entity_code],
            currency=key.currency,
            po_number=orders.pop() if len(orders) == 1 else "",
            payment_days=key.payment_days,
            group=key.digest,
            lines=tuple(lines),
        )

    def _top_up(self, key: _Key, lines: Sequence[DraftLine]) -> DraftLine | None:
        """What the lines of the month itself lack of the minimum, taxed as the greatest of them. None: nothing.

        Late lines and credits of earlier months neither count towards it nor bring it about. The minimum is in the
        seller's currency.
        """
        own = [one for one in lines if one.line.kind is Kind.REGULAR]
        if not own or key.currency != self.entities[key.entity_code].currency:
            return None
        net = sum((one.amount for one in own), Decimal(0))
        minimum = self._minimum(key, own)
        if net >= minimum:
            return None
        greatest = max(own, key=lambda one: (one.amount, one.line.sort_key))
        charge = self._top_up_charge(key, greatest.line.charge, net, minimum)
        return replace(greatest, line=Line(Kind.REGULAR, charge), cost_centre="")

    def _minimum(self, key: _Key, lines: Sequence[DraftLine]) -> Decimal:
        """The greatest minimum that the payer's profile or the contract of one of the lines names."""
        last_day = month_after(self.month) - timedelta(days=1)
        found = [self.inputs.profile_of(key.payer_id).invoice_minimum]
        for contract_id in {one.line.charge.contract_id for one in lines}:
            contract = self.inputs.contracts.get(contract_id) if contract_id else None
            terms = contract.terms_on(last_day) if contract else None
            found.append(terms.invoice_minimum if terms else None)
        greatest = max((minimum for minimum in found if minimum is not None), default=Decimal(0))
        return rounded(greatest, key.currency, self.inputs.step(self.entities[key.entity_code], key.currency))

    def _top_up_charge(self, key: _Key, like: Charge, net: Decimal, minimum: Decimal) -> Charge:
        end = month_after(self.month)
        return replace(
            like,
            key=charge_key(
                self.inputs.operator.id, Rule.INVOICE_MINIMUM, key.payer_id, key.digest, self.month
            ),
            rule=Rule.INVOICE_MINIMUM,
            clause="invoice_minimum",
            subject_id=key.payer_id,
            event_id=None,
            item_code=MINIMUM_ITEM[0],
            item_name=_(MINIMUM_ITEM[1]),
            price_version_id=None,
            unit_price=minimum - net,
            customer_id=key.payer_id,
            site_id=None,
            site_code="",
            site_name="",
            unit_code="",
            place="",
            service_on=end - timedelta(days=1),
            occurred_at=None,
            starts_on=self.month,
            ends_before=end,
            part=Decimal(1),
            whole=1,
            amount=minimum - net,
            in_advance=False,
            billed_with=None,
            workings={"lines": format(net, "f"), "minimum": format(minimum, "f")},
        )
