"""What an operator in whom much has happened has agreed about money: one row of each kind."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from uuid import UUID

from accounts.commands import customers
from billing.commands import contracts, parties, prices
from billing.commands.contracts import NewContract, NewContractSite
from billing.rules.index_price import IndexClause
from tests.cast import Cast

MAY, OCTOBER = date(2026, 5, 1), date(2026, 10, 1)
FIGURES = {date(2025, 1, 1): Decimal("118.6"), date(2026, 1, 1): Decimal("121.2")}


def contracted(cast: Cast) -> dict[str, UUID | str]:
    """A contract and all that goes with it, after April was closed; the names and ids that addresses use."""
    owner, site, number = cast.owner, cast.site.id, f"{cast.mark}K-1"
    parties.set_legal_entity(actor=owner, code="DE", values={"legal_name": "Fixture Care", "country": "DE"})
    parties.set_profile(actor=owner, customer_id=cast.customer.id, values={"payment_days": 14})
    parties.set_site_billing(actor=owner, sites=[{"site_id": site, "cost_centre": "7 A"}])
    parties.set_tax_rate(
        actor=owner,
        jurisdiction="DE",
        tax_class="standard",
        category="S",
        rate=Decimal(19),
        effective_from=date(2026, 1, 1),
    )
    order = {"customer_id": cast.customer.id, "site_id": site, "number": "PO-1", "starts_on": MAY}
    (made,) = parties.add_purchase_orders(actor=owner, orders=[order])
    (free,) = customers.add_sites(actor=owner, sites=[_free(cast)])
    contracts.add_contract(
        actor=owner,
        new=NewContract(number, cast.customer.id, date(2025, 5, 1), sites=[NewContractSite(site, MAY)]),
    )
    assert contracts.renew_due(actor=owner, today=MAY)
    for month, value in FIGURES.items():
        prices.record_index_figure(actor=owner, code="CPI", month=month, value=value)
    base_month, month = FIGURES
    price = prices.set_price(
        actor=owner,
        item_code="month",
        amount=None,
        effective_from=OCTOBER,
        contract_number=number,
        index=IndexClause("CPI", base_month, month, prior_amount=Decimal(30)),
    )
    return {
        "contract_number": number,
        "free_site_id": free.id,
        "order_id": made.id,
        "price_id": price.id,
    }


def _free(cast: Cast) -> dict[str, object]:
    return {
        "customer_id": cast.customer.id,
        "code": f"{cast.mark}S2",
        "name": "Annex",
        "kind": "office",
        "zone": "Europe/Berlin",
    }
