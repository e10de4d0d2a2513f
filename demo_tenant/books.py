"""The operator's books in the invented world: set up on its first day, and kept by the bookkeeper at each month's end.

Everything goes through the public commands. Who pays when is drawn from the number of the document alone.
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from dateutil.relativedelta import relativedelta

from accounts import clock, tenancy
from accounts.permissions import Actor
from billing.commands import crediting, parties, prices, royalty
from billing.commands.contracts import NewContract, NewContractSite, add_contract
from billing.commands.prices import IndexClause, NewPriceItem
from billing.commands.royalty import Tier
from billing.commands.terms import NewTerms
from billing.queries import settling
from demo_tenant import paying
from demo_tenant.bargains import (
    INDEX,
    Bargains,
    ContractPlan,
    ProfilePlan,
    SiteFee,
    second_year,
    town_jurisdiction,
)
from demo_tenant.masterdata import MasterData
from demo_tenant.setting import Setting
from demo_tenant.story import Story

EXCHANGE = "EXCHANGE"
COMPLAINT = 0.01
FIGURES = (Decimal("104.2"), Decimal("107.4"))
TIERS = (Tier(Decimal(10_000), Decimal(6)), Tier(None, Decimal("4.5")))
FUND_PERCENT, LEAST_ROYALTY = Decimal("1.5"), Decimal(150)


def open_books(actor: Actor, story: Story, bargains: Bargains) -> None:
    """Who issues, what is taxed, the contracts with their prices, and the terms with the network."""
    setting, master = story.setting, story.master
    entity = bargains.entity
    parties.set_legal_entity(
        actor=actor,
        code="MAIN",
        values={name: getattr(entity, name) for name in entity.__slots__} | {"payment_days": 30},
        entity_id=setting.id("entity", 0),
    )
    for rate in bargains.rates:
        parties.set_tax_rate(
            actor=actor,
            jurisdiction=rate.jurisdiction,
            tax_class="standard",
            category=rate.category,
            rate=rate.rate,
            effective_from=_since(setting),
            name=rate.name,
        )
    if master.country == "US":
        rows = [{"site_id": s.id, "tax_jurisdiction": town_jurisdiction(s.town)} for s in master.sites]
        parties.set_site_billing(actor=actor, sites=rows)
    # Off the list: only where a contract counts services do exchanges cost anything.
    item = NewPriceItem(
        EXCHANGE,
        "Cartridge exchanged",
        "event",
        amount=None,
        effective_from=None,
        event_type="cartridge.exchanged",
        id=setting.id("price-item", EXCHANGE),
    )
    prices.add_price_items(actor=actor, items=[item])
    for profile in bargains.profiles:
        _profile(actor, setting, profile)
    for plan in bargains.contracts:
        _contract(actor, setting, plan)
    _index(actor, setting)
    royalty.set_royalty_terms(
        actor=actor,
        effective_from=_since(setting),
        network_name="The invented network",
        basis="collected" if master.country == "GB" else "billed",  # type: ignore[arg-type]
        tiers=TIERS,
        minimum=LEAST_ROYALTY,
        fund_percent=FUND_PERCENT,
    )


def _since(setting: Setting) -> date:
    return setting.span.first_day.replace(day=1) - relativedelta(months=1)


def _profile(actor: Actor, setting: Setting, plan: ProfilePlan) -> None:
    values = {
        "street": plan.street,
        "city": plan.city,
        "delivery": plan.delivery,
        "bill_to_id": plan.bill_to_id,
        "po_required": bool(plan.order),
    }
    parties.set_profile(actor=actor, customer_id=plan.customer_id, values=values)
    if plan.order:
        order = {"customer_id": plan.customer_id, "number": plan.order, "starts_on": _since(setting)}
        parties.add_purchase_orders(actor=actor, orders=[order])


def _contract(actor: Actor, setting: Setting, plan: ContractPlan) -> None:
    add_contract(
        actor=actor,
        new=NewContract(
            id=setting.id("contract", plan.number),
            number=plan.number,
            customer_id=plan.customer_id,
            starts_on=plan.starts_on,
            term_months=plan.term_months,
            sites=[NewContractSite(fee.site_id, fee.starts_on) for fee in plan.fees],
            terms=NewTerms(
                mode=plan.mode,
                in_advance=plan.in_advance,
                cycle_months=plan.cycle_months,
                base_units=plan.base_units,
                visit_minimum=plan.visit_minimum,
                inclusions=_inclusions(plan),
                credits_missed=plan.credits_missed,
                credit_as=plan.credit_as,
            ),
        ),
    )
    if plan.mode == "unit_service":
        prices.set_price(
            actor=actor,
            item_code=EXCHANGE,
            amount=setting.plan.closet_price,
            effective_from=min(fee.starts_on for fee in plan.fees),
            contract_number=plan.number,
        )
    for fee in plan.fees:
        if fee.monthly is not None:
            _fee(actor, setting, plan, fee, fee.monthly)


def _inclusions(plan: ContractPlan) -> list[dict[str, Any]]:
    if not plan.wick_a_year:
        return []
    return [{"event_type": "wick.changed", "count": 1, "per": "unit", "every": "year"}]


def _fee(actor: Actor, setting: Setting, plan: ContractPlan, fee: SiteFee, monthly: Decimal) -> None:
    scope: dict[str, Any] = {"item_code": "FLAT", "contract_number": plan.number, "site_code": fee.site_code}
    prices.set_price(actor=actor, amount=monthly, effective_from=fee.starts_on, **scope)
    moves_on = second_year(setting)
    if plan.indexed and fee.starts_on < moves_on:
        clause = IndexClause(
            INDEX,
            _since(setting),
            moves_on - relativedelta(months=2),
            cap_percent=Decimal(3),
            prior_amount=monthly,
        )
        prices.set_price(
            actor=actor, amount=None, effective_from=moves_on, index=clause,
            announced_on=setting.span.first_day, **scope,
        )  # fmt: skip


def _index(actor: Actor, setting: Setting) -> None:
    """The figure that indexed fees start from; the next one is entered once it is published."""
    prices.record_index_figure(actor=actor, code=INDEX, month=_since(setting), value=FIGURES[0])


def keep_books(bookkeeper: Actor, master: MasterData, setting: Setting, month: date) -> None:
    """Before a month is closed: the figure that came out, the money that came in, a complaint settled."""
    published = second_year(setting) - relativedelta(months=2)
    if month == published + relativedelta(months=1):
        prices.record_index_figure(actor=bookkeeper, code=INDEX, month=published, value=FIGURES[1])
    today = clock.today(master.zone)
    with tenancy.reading(bookkeeper):
        debts = settling.open_debts()
    paid = paying.take_money(bookkeeper, setting, debts, today)
    paying.pay_back(bookkeeper, setting, today)
    for debt in debts:
        stream = setting.stream("complaint", debt.number)
        if debt.number not in paid and not debt.settled and stream.chance(COMPLAINT):
            crediting.credit_document(
                actor=bookkeeper, number=debt.number, reason="Settled with the customer"
            )


def state_royalty(bookkeeper: Actor, month: date) -> None:
    """After a month is closed: its statement to the network."""
    royalty.state_month(actor=bookkeeper, month=month)
