"""Who sells and who pays: legal entities, customers and sites as billing knows them, purchase orders, tax rates."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import Any
from uuid import UUID

import accounts.queries
from accounts import tenancy
from accounts.commands.customers import lock_customer
from accounts.commands.masterdata import insert_rows, refuse_absent_references, refuse_bad_rows
from accounts.errors import BadInput, Conflict, Problem
from accounts.ids import uuid7
from accounts.languages import N_, _
from accounts.permissions import Actor, Permission, require
from billing.commands.account_numbers import refuse_moved
from billing.commands.numbering import locked_series, refuse_closed_month
from billing.commands.rows import (
    changed,
    currency_problems,
    cut_by,
    end_problems,
    make_room,
    refuse_absent,
    refuse_bad_row,
)
from billing.models import BillingProfile, LegalEntity, PurchaseOrder, SiteBilling, TaxRate
from billing.queries import parties
from billing.queries.feed.versions import version_of
from billing.rules.chart import chart_problems
from billing.rules.identity import (
    COUNTRY,
    JURISDICTION,
    JURISDICTION_MEANING,
    VAT_ID,
    VAT_ID_MEANING,
    is_bic,
    is_iban,
)
from billing.rules.money import smallest

_A_RATE_CAN_CHANGE = N_("{month} is closed, so a tax rate can change on {day} at the earliest.")
ENTITY_FIELDS = frozenset(
    {
        "legal_name", "street", "city", "postcode", "subdivision", "country", "vat_id", "registration", "regime",
        "tax_jurisdiction", "tax_basis", "currency", "cash_rounding", "payment_days", "iban", "bic", "bank_name", "email",
        "phone", "accounts", "reminder_days", "is_default",
    }
)  # fmt: skip
PROFILE_FIELDS = frozenset(
    {
        "bill_to_id", "street", "city", "postcode", "subdivision", "vat_id", "buyer_reference", "tax_treatment",
        "tax_jurisdiction", "exemption_reason", "payment_days", "po_required", "line_pos", "delivery", "invoice_minimum",
    }
)  # fmt: skip
MOST_PAYMENT_DAYS = 365
MOST_REMINDERS = 9
DAYS: Mapping[str, tuple[int, int]] = {"payment_days": (0, MOST_PAYMENT_DAYS)}
WITHOUT_TAX = frozenset(
    {"Z", "E", "AE", "K", "G", "O"}
)  # EN 16931, rules BR-Z, BR-E, BR-AE, BR-IC, BR-G, BR-O
WITH_REASON = frozenset({"E", "AE", "K", "G", "O"})


# Legal entities


def set_legal_entity(
    *, actor: Actor, code: str, values: Mapping[str, Any], entity_id: UUID | None = None
) -> LegalEntity:
    """Make the legal entity of a code, or change it: what ``values`` leaves out stays, or is usual for a new one.

    A new one needs legal_name and country; its currency is the operator's unless given, it is taxed in its country, and the
    first one issues where a contract names nobody (is_default). BadInput for what can't be so; Conflict if nobody would issue by default.
    """
    require(actor, Permission.CONTRACTS_MANAGE)
    with tenancy.writing(actor):
        locked_series()
        row = LegalEntity.objects.filter(code=code).first()
        default = LegalEntity.objects.filter(is_default=True).first()
        if row is None:
            usual = {"currency": accounts.queries.get_operator().currency, "is_default": default is None}
            row = LegalEntity(id=entity_id or uuid7(), code=code, **usual)
        accounts_before = dict(row.accounts)
        changed(row, values, ENTITY_FIELDS)
        row.iban, row.bic = row.iban.replace(" ", "").upper(), row.bic.replace(" ", "").upper()
        refuse_bad_row(row, ranges=DAYS, check=lambda one: list(_entity_problems(one)))
        refuse_moved(row, accounts_before)
        if row.regime != "none":
            row.tax_jurisdiction = row.tax_jurisdiction or row.country
        if row.is_default and default is not None and default.id != row.id:
            default.is_default = False
            default.save(update_fields=["is_default"])
        elif default is not None and default.id == row.id and not row.is_default:
            detail = _(
                "{legal_name} issues where a contract names nobody. Let another legal entity do so instead.",
                legal_name=row.legal_name,
            )
            raise Conflict(detail, errors=[Problem("/is_default", "no-default", detail)])
        row.save()
        return row


def _entity_problems(entity: LegalEntity) -> Iterator[Problem]:
    if not (entity.code.isascii() and entity.code.isalnum() and entity.code == entity.code.upper()):
        yield Problem(
            "/code", "code", _("A code is made of capital letters and digits: it stands in the numbers.")
        )
    if not COUNTRY.match(entity.country):
        yield Problem("/country", "country", _("A country is two capital letters of ISO 3166-1, such as DE."))
    yield from currency_problems(entity.currency)
    yield from _jurisdiction_problems(entity)
    yield from _tax_id_problems(entity)
    yield from _bank_problems(entity)
    for name, detail in chart_problems(entity.accounts):
        yield Problem(f"/accounts/{name}", "account", detail)
    if not _rising(entity.reminder_days):
        yield Problem(
            "/reminder_days",
            "reminder-days",
            _(
                "Reminders are up to {most_reminders} numbers of days past due, each larger than the one before: 7, 21, 35.",
                most_reminders=MOST_REMINDERS,
            ),
        )


def _tax_id_problems(entity: LegalEntity) -> Iterator[Problem]:
    if entity.regime == "vat" and not VAT_ID.match(entity.vat_id):
        yield Problem(
            "/vat_id",
            "vat-id",
            _("Who adds VAT needs an identifier. {vat_id_meaning}", vat_id_meaning=_(VAT_ID_MEANING)),
        )
    if entity.regime == "gst" and not entity.vat_id:
        yield Problem("/vat_id", "vat-id", _("Who adds GST needs its registration number."))


def _bank_problems(entity: LegalEntity) -> Iterator[Problem]:
    if entity.iban and not is_iban(entity.iban):
        yield Problem(
            "/iban",
            "iban",
            _("This is no IBAN: its check digits are wrong. Compare it with a bank statement."),
        )
    if entity.bic and not is_bic(entity.bic):
        yield Problem(
            "/bic", "bic", _("A BIC has 8 or 11 letters and digits, the first six of them letters.")
        )
    if entity.cash_rounding < 0 or (
        not currency_problems(entity.currency) and entity.cash_rounding % smallest(entity.currency)
    ):
        yield Problem(
            "/cash_rounding",
            "cash-rounding",
            _(
                "Cash is rounded to a whole number of the smallest amounts of {currency}, or 0 for not at all.",
                currency=entity.currency,
            ),
        )


def _rising(days: Any) -> bool:
    return (
        isinstance(days, list)
        and len(days) <= MOST_REMINDERS
        and all(isinstance(day, int) and 0 < day <= MOST_PAYMENT_DAYS for day in days)
        and sorted(set(days)) == days
    )


def _jurisdiction_problems(row: Any) -> Iterator[Problem]:
    if row.tax_jurisdiction and not JURISDICTION.match(row.tax_jurisdiction):
        yield Problem("/tax_jurisdiction", "jurisdiction", _(JURISDICTION_MEANING))


# Customers and sites


def set_profile(
    *,
    actor: Actor,
    customer_id: UUID,
    values: Mapping[str, Any],
    let_pass: Callable[[int], None] | None = None,
) -> BillingProfile:
    """What billing knows of a customer; what ``values`` leaves out stays as it was.

    ``let_pass`` is asked with the customer's version while nobody else can change it, and raises what refuses.

    ``bill_to_id`` names the customer that gets and pays the documents instead, which has no payer of its own. BadInput for
    what can't be so, NotFound for a customer that is not here.
    """
    require(actor, Permission.CONTRACTS_MANAGE)
    with tenancy.writing(actor):
        locked_series()
        lock_customer(customer_id)
        if let_pass:
            let_pass(version_of("customer", customer_id))
        row = changed(parties.get_billing_profile(customer_id), values, PROFILE_FIELDS)
        refuse_bad_row(row, ranges=DAYS, check=lambda one: list(_profile_problems(one)))
        refuse_absent(row)
        if problems := list(_payer_problems(row)):
            raise BadInput(problems[0].detail, errors=problems)
        row.save()
        return row


def _profile_problems(profile: BillingProfile) -> Iterator[Problem]:
    yield from _jurisdiction_problems(profile)
    if profile.invoice_minimum is not None and profile.invoice_minimum < 0:
        yield Problem("/invoice_minimum", "out-of-range", _("A minimum is a decimal from 0 up."))
    if profile.tax_treatment in {"reverse_charge", "intra_community"} and not VAT_ID.match(profile.vat_id):
        yield Problem(
            "/vat_id",
            "vat-id",
            _(
                "Whoever owes the tax itself needs an identifier. {vat_id_meaning}",
                vat_id_meaning=_(VAT_ID_MEANING),
            ),
        )
    if profile.tax_treatment in {"exempt", "outside"} and not profile.exemption_reason:
        yield Problem(
            "/exemption_reason", "missing", _("Say why there is no tax: the reason stands on every document.")
        )


def _payer_problems(profile: BillingProfile) -> Iterator[Problem]:
    """Inside the scope: one step from a customer to its payer, never two and never in a circle."""
    payer = profile.bill_to_id
    if payer is None:
        return
    if payer == profile.customer_id:
        yield Problem(
            "/bill_to", "payer", _("A customer is its own payer when no other is named. Leave it empty.")
        )
    elif parties.get_billing_profile(payer).bill_to_id is not None:
        yield Problem(
            "/bill_to", "payer", _("That customer has a payer of its own. Name the one that pays in the end.")
        )
    elif parties.paid_for_by(profile.customer_id) != {profile.customer_id}:
        yield Problem(
            "/bill_to",
            "payer",
            _("This customer pays for others itself, so it can't have a payer of its own."),
        )


def set_site_billing(*, actor: Actor, sites: Sequence[Mapping[str, Any]]) -> list[SiteBilling]:
    """What billing knows of sites, all or none. Each: site_id, and tax_jurisdiction, cost_centre; left out is empty.

    BadInput for what can't be so, NotFound for a site that is not here; pointers begin with the row's index.
    """
    require(actor, Permission.CONTRACTS_MANAGE)
    rows = [SiteBilling(operator_id=actor.operator_id, **site) for site in sites]
    refuse_bad_rows(rows, check=lambda row: list(_jurisdiction_problems(row)))
    if len({row.site_id for row in rows}) < len(rows):
        raise BadInput(_("A site stands twice among these. Nothing was changed."))
    with tenancy.writing(actor):
        refuse_absent_references(rows)
        SiteBilling.objects.bulk_create(
            rows,
            batch_size=1_000,
            update_conflicts=True,
            unique_fields=["operator", "site"],
            update_fields=["tax_jurisdiction", "cost_centre"],
        )
        stored = {row.site_id: row for row in parties.site_billing_of([row.site_id for row in rows])}
    return [stored[row.site_id] for row in rows]


# Purchase orders


def add_purchase_orders(*, actor: Actor, orders: Sequence[Mapping[str, Any]]) -> list[PurchaseOrder]:
    """Each: customer_id, number, starts_on; ends_before, limit (net), currency, site_id, id if they differ. All or none.

    Without a site the order is for all of them. BadInput for what can't be so, NotFound for a customer or site that is not
    here, Conflict for a number that the customer gave before.
    """
    require(actor, Permission.CONTRACTS_MANAGE)
    with tenancy.reading(actor):
        currency = parties.default_entity().currency
    values = [{"currency": currency, **{k: v for k, v in order.items() if v != ""}} for order in orders]
    return insert_rows(
        actor,
        PurchaseOrder,
        values,
        check=lambda order: list(_order_problems(order)),
        after=_refuse_others_sites,
    )


def _order_problems(order: PurchaseOrder) -> Iterator[Problem]:
    yield from end_problems(order.starts_on, order.ends_before, "/ends_before")
    yield from currency_problems(order.currency)
    if order.limit is not None and order.limit <= 0:
        yield Problem(
            "/limit", "out-of-range", _("A limit is more than 0. Leave it out for an order without one.")
        )


def _refuse_others_sites(orders: list[PurchaseOrder]) -> None:
    """An order is for a site of whoever gave it, or of a customer that it pays for."""
    sites = accounts.queries.sites_in([order.site_id for order in orders if order.site_id])
    problems = []
    for index, order in enumerate(orders):
        site = sites.get(order.site_id) if order.site_id else None
        if site is not None and site.customer_id not in parties.paid_for_by(order.customer_id):
            detail = _("{name} belongs to a customer that this one does not pay for.", name=site.name)
            problems.append(Problem(f"/{index}/site", "other-customer", detail))
    if problems:
        raise BadInput(_("{problem} Nothing was changed.", problem=problems[0].detail), errors=problems)


def end_purchase_order(*, actor: Actor, order_id: UUID, ends_before: date | None) -> PurchaseOrder:
    """The first day that a purchase order no longer holds; None: it holds until further notice. It may move."""
    require(actor, Permission.CONTRACTS_MANAGE)
    with tenancy.writing(actor):
        order = parties.get_purchase_order(order_id)
        if problems := end_problems(order.starts_on, ends_before, "/ends_before"):
            raise BadInput(problems[0].detail, errors=problems)
        order.ends_before = ends_before
        order.save(update_fields=["ends_before"])
        return order


# Tax


def set_tax_rate(
    *,
    actor: Actor,
    jurisdiction: str,
    tax_class: str,
    category: str,
    rate: Decimal,
    effective_from: date,
    effective_to: date | None = None,
    name: str = "",
    exemption_reason: str = "",
) -> TaxRate:
    """A tax rate in percent from a day on; the one before ends there, one set for later stays.

    Days of a closed month can get a rate where they had none, since what waited for it was held. BadInput for what can't
    be so, Conflict for a day from which there is a rate already, or that would take days of a closed month from another.
    """
    require(actor, Permission.PRICES_MANAGE)
    row = TaxRate(
        operator_id=actor.operator_id,
        jurisdiction=jurisdiction,
        tax_class=tax_class,
        category=category,
        rate=rate,
        name=name,
        exemption_reason=exemption_reason,
        effective_from=effective_from,
        effective_to=effective_to,
    )
    refuse_bad_row(row, ranges={"rate": (0, 100)}, check=lambda one: list(_rate_problems(one)))
    with tenancy.writing(actor):
        locked_series()
        same = parties.tax_rate_rows().filter(jurisdiction=jurisdiction, tax_class=tax_class)
        others = list(same)
        if any(cut_by(other, effective_from) for other in others):
            refuse_closed_month(effective_from, _A_RATE_CAN_CHANGE)
        has = _(
            "{jurisdiction} has a rate for {tax_class} supplies",
            jurisdiction=jurisdiction,
            tax_class=tax_class,
        )
        row.effective_to = make_room(others, effective_from, effective_to, has=has)
        row.save(force_insert=True)
        return row


def _rate_problems(row: TaxRate) -> Iterator[Problem]:
    if not JURISDICTION.match(row.jurisdiction):
        yield Problem("/jurisdiction", "jurisdiction", _(JURISDICTION_MEANING))
    if row.category in WITHOUT_TAX and row.rate != 0:
        yield Problem("/rate", "rate", _("Category {category} has the rate 0.", category=row.category))
    if row.category == "S" and row.rate == 0:
        yield Problem(
            "/category",
            "category",
            _("Category S has a rate above 0. For the rate 0 choose Z, or E with a reason."),
        )
    if row.category in WITH_REASON and not row.exemption_reason:
        yield Problem(
            "/exemption_reason", "missing", _("Say why there is no tax: the reason stands on every document.")
        )
    yield from end_problems(row.effective_from, row.effective_to, "/effective_to")
