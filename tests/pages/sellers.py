"""Who sells in the tests of the pages of money."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from accounts.permissions import Role
from billing.commands import parties
from tests.cast import Cast


def sell_with_vat(cast: Cast) -> None:
    """The operator issues as a German company with 19 % of VAT on standard supplies."""
    keeper = cast.actors[Role.BOOKKEEPER]
    parties.set_legal_entity(
        actor=keeper,
        code="DE",
        values={
            "legal_name": "North Fixture Care GmbH",
            "country": "DE",
            "city": "Kiel",
            "postcode": "24103",
            "street": "Kaistr. 4",
            "regime": "vat",
            "vat_id": "DE123456788",
            "tax_jurisdiction": "DE",
        },
    )
    parties.set_tax_rate(
        actor=keeper,
        jurisdiction="DE",
        tax_class="standard",
        category="S",
        rate=Decimal(19),
        effective_from=date(2020, 1, 1),
        name="VAT",
    )
