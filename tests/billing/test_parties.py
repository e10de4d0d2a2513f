"""Who sells and who pays: legal entities, billing profiles, site billing, purchase orders, tax rates; and what is refused."""

from datetime import date
from decimal import Decimal

import pytest

from accounts.commands import customers
from accounts.errors import BadInput, Conflict, Forbidden, NotFound
from accounts.permissions import Role
from billing.commands import parties
from billing.queries import parties as reads
from billing.rules.identity import is_bic, is_iban
from billing.rules.parties import Entity, Profile, SiteTax
from tests.billing.books import APRIL, JULY, JUNE, MAY, close, list_prices, on

SELLER = {"legal_name": "Fixture Care Ltd", "country": "DE", "regime": "vat", "vat_id": "DE123456789"}
D = Decimal


def seller(cast, code="DE", **values):
    return parties.set_legal_entity(
        actor=cast.actors[Role.BOOKKEEPER], code=code, values={**SELLER, **values}
    )


def other_customer(cast, code="C2"):
    row = {"code": code, "name": f"Lock Hotels {code}", "country": "DE"}
    return customers.add_customers(actor=cast.owner, customers=[row])[0]


def pointers(refusal):
    return [problem.pointer for problem in refusal.value.errors]


# Legal entities


def test_without_a_legal_entity_the_operator_issues_in_its_own_name(north):
    with north.reading():
        own, by_id = reads.default_entity(), reads.entities()

    assert own == Entity(None, "", "North Fixture Care", "EUR")
    assert (own.regime, by_id) == ("none", {None: own})


def test_the_first_legal_entity_issues_until_another_is_to(north):
    first = seller(north)
    second = seller(north, "CH", currency="CHF", country="CH")
    with north.reading():
        assert {key: one.code for key, one in reads.entities().items()} == {
            None: "DE",
            first.id: "DE",
            second.id: "CH",
        }

    seller(north, "CH", is_default=True)

    with north.reading():
        assert reads.default_entity().code == "CH"
        assert (reads.default_entity().currency, reads.default_entity().country) == ("CHF", "DE")
    with pytest.raises(Conflict, match="Fixture Care Ltd issues where a contract names nobody") as refusal:
        seller(north, "CH", is_default=False)
    assert pointers(refusal) == ["/is_default"]


def test_what_is_left_out_stays(north):
    seller(north, city="Marl", iban="de89 3704 0044 0532 0130 00", reminder_days=[5, 10])
    parties.set_legal_entity(actor=north.owner, code="DE", values={"payment_days": 14})

    with north.reading():
        row = reads.get_legal_entity("DE")
    assert (row.city, row.payment_days, row.reminder_days) == ("Marl", 14, [5, 10])
    assert (row.iban, row.accounts) == ("DE89370400440532013000", {})
    with pytest.raises(TypeError, match="LegalEntity has no colour to set"):
        seller(north, colour="red")


@pytest.mark.parametrize(
    ("changes", "pointer", "sentence"),
    [
        ({"code": "de"}, "/code", "capital letters and digits"),
        ({"legal_name": ""}, "/legal_name", "Legal name is missing."),
        ({"country": "Germany"}, "/country", "Country has at most 2 characters; this has 7."),
        ({"country": "de"}, "/country", "two capital letters of ISO 3166-1"),
        ({"currency": "EU1"}, "/currency", "'EU1' is not a currency of ISO 4217"),
        ({"regime": "tithe"}, "/regime", "tithe is no regime. Choose one of none, vat, gst, sales_tax."),
        ({"tax_jurisdiction": "Texas"}, "/tax_jurisdiction", "A tax jurisdiction is a country"),
        ({"vat_id": ""}, "/vat_id", "Who adds VAT needs an identifier."),
        ({"regime": "gst", "vat_id": ""}, "/vat_id", "Who adds GST needs its registration number."),
        ({"iban": "DE88370400440532013000"}, "/iban", "its check digits are wrong"),
        ({"bic": "MARLDE"}, "/bic", "A BIC has 8 or 11"),
        ({"cash_rounding": D("0.005")}, "/cash_rounding", "a whole number of the smallest amounts of EUR"),
        ({"cash_rounding": D("-0.05")}, "/cash_rounding", "Cash is rounded to"),
        ({"payment_days": 366}, "/payment_days", "Payment days lies from 0 to 365."),
        ({"accounts": {"fees": "1"}}, "/accounts/fees", "fees is no account here"),
        ({"reminder_days": [21, 7]}, "/reminder_days", "each larger than the one before"),
    ],
)
def test_a_legal_entity_that_makes_no_sense_is_refused(north, changes, pointer, sentence):
    with pytest.raises(BadInput, match=sentence) as refusal:
        seller(north, **changes)

    assert pointers(refusal) == [pointer]
    with north.reading():
        assert list(reads.legal_entities()) == []


def test_check_digits_tell_an_iban():
    # The IBAN registry's example of Germany, from memory; one digit off, and letters where digits stand.
    assert is_iban("DE89370400440532013000")
    assert not is_iban("DE89370400440532013001")
    assert not is_iban("DEXX370400440532013000")
    assert is_bic("MARLDEFF")
    assert is_bic("MARLDEFFXXX")
    assert not is_bic("MARLDEF")


# Customers and sites


def test_a_profile_says_who_pays_and_keeps_what_is_left_out(north):
    payer = other_customer(north)
    set_for = {"actor": north.owner, "customer_id": north.customer.id}
    parties.set_profile(**set_for, values={"bill_to_id": payer.id, "po_required": True})
    parties.set_profile(**set_for, values={"payment_days": 14, "invoice_minimum": D("38.00")})

    with north.reading():
        found, nobody = reads.profiles(), reads.profiles([payer.id])
        usual = reads.get_billing_profile(payer.id)
    assert found == {
        north.customer.id: Profile(
            north.customer.id,
            bill_to_id=payer.id,
            po_required=True,
            payment_days=14,
            invoice_minimum=D("38.000000"),
        )
    }
    assert nobody == {}
    assert (usual.delivery, usual.tax_treatment, usual.bill_to_id) == ("email", "standard", None)


def test_a_payer_has_no_payer(north):
    first, second = other_customer(north), other_customer(north, "C3")

    def bill(customer, payer):
        return parties.set_profile(
            actor=north.owner, customer_id=customer.id, values={"bill_to_id": payer.id}
        )

    bill(north.customer, first)
    with pytest.raises(BadInput, match="This customer pays for others itself") as refusal:
        bill(first, second)
    assert pointers(refusal) == ["/bill_to"]
    with pytest.raises(BadInput, match="Name the one that pays in the end"):
        bill(second, north.customer)
    with pytest.raises(BadInput, match="A customer is its own payer"):
        bill(second, second)
    bill(second, first)


@pytest.mark.parametrize(
    ("values", "pointer", "sentence"),
    [
        ({"tax_treatment": "magic"}, "/tax_treatment", "magic is no tax treatment. Choose one of standard,"),
        ({"tax_treatment": "reverse_charge"}, "/vat_id", "Whoever owes the tax itself needs an identifier."),
        ({"tax_treatment": "exempt"}, "/exemption_reason", "Say why there is no tax"),
        ({"tax_jurisdiction": "de"}, "/tax_jurisdiction", "A tax jurisdiction is a country"),
        ({"invoice_minimum": D(-1)}, "/invoice_minimum", "A minimum is a decimal from 0 up."),
        ({"delivery": "pigeon"}, "/delivery", "pigeon is no delivery. Choose one of email, none."),
        ({"payment_days": -1}, "/payment_days", "Payment days"),
    ],
)
def test_a_profile_that_makes_no_sense_is_refused(north, values, pointer, sentence):
    with pytest.raises(BadInput, match=sentence) as refusal:
        parties.set_profile(actor=north.owner, customer_id=north.customer.id, values=values)

    assert pointers(refusal) == [pointer]
    with north.reading():
        assert reads.profiles() == {}


def test_a_site_is_told_where_it_is_taxed_and_told_again(north):
    for jurisdiction in ("DE", "US-CO"):
        rows = [{"site_id": north.site.id, "tax_jurisdiction": jurisdiction, "cost_centre": "7 A"}]
        parties.set_site_billing(actor=north.owner, sites=rows)

    with north.reading():
        assert reads.site_billings() == {north.site.id: SiteTax(north.site.id, "US-CO", "7 A")}
    with pytest.raises(BadInput, match="A tax jurisdiction is a country") as refusal:
        parties.set_site_billing(
            actor=north.owner, sites=[{"site_id": north.site.id, "tax_jurisdiction": "us"}]
        )
    assert pointers(refusal) == ["/0/tax_jurisdiction"]
    with pytest.raises(BadInput, match="A site stands twice among these"):
        parties.set_site_billing(actor=north.owner, sites=[{"site_id": north.site.id}] * 2)


# Purchase orders


def order(cast, **values):
    row = {"customer_id": cast.customer.id, "number": "PO-1", "starts_on": APRIL, **values}
    return parties.add_purchase_orders(actor=cast.owner, orders=[row])[0]


def test_an_order_holds_for_a_customer_from_a_day_on(north):
    seller(north, currency="CHF")
    made = order(north, site_id=north.site.id, limit=D("500.00"))
    order(north, number="PO-2", starts_on=MAY)

    with north.reading():
        orders = reads.purchase_orders([north.customer.id])
    assert [(one.number, one.site_id, one.limit, one.currency) for one in orders] == [
        ("PO-1", north.site.id, D("500.0000"), "CHF"),
        ("PO-2", None, None, "CHF"),
    ]
    ended = parties.end_purchase_order(actor=north.owner, order_id=made.id, ends_before=JUNE)
    assert ended.ends_before == JUNE
    with pytest.raises(BadInput, match="its end must lie after that"):
        parties.end_purchase_order(actor=north.owner, order_id=made.id, ends_before=APRIL)
    with pytest.raises(Conflict, match="a purchase order of this number, PO-1, exists already"):
        order(north)


@pytest.mark.parametrize(
    ("values", "pointer", "sentence"),
    [
        ({"ends_before": APRIL}, "/0/ends_before", "its end must lie after that"),
        ({"currency": "XAU"}, "/0/currency", "'XAU' is not a currency"),
        ({"limit": D(0)}, "/0/limit", "A limit is more than 0."),
    ],
)
def test_an_order_that_makes_no_sense_is_refused(north, values, pointer, sentence):
    with pytest.raises(BadInput, match=sentence) as refusal:
        order(north, **values)
    assert pointers(refusal) == [pointer]


def test_an_order_is_for_a_site_that_its_customer_pays_for(north, south):
    other = other_customer(north)

    with pytest.raises(BadInput, match="belongs to a customer that this one does not pay for") as refusal:
        order(north, customer_id=other.id, site_id=north.site.id)
    assert pointers(refusal) == ["/0/site"]
    with pytest.raises(NotFound) as refusal:
        order(north, site_id=south.site.id)
    assert pointers(refusal) == ["/0/site"]
    parties.set_profile(actor=north.owner, customer_id=north.customer.id, values={"bill_to_id": other.id})
    order(north, customer_id=other.id, site_id=north.site.id)


# Tax rates


def rate(cast, percent="19", since=APRIL, **values):
    row = {"jurisdiction": "DE", "tax_class": "standard", "category": "S", **values}
    return parties.set_tax_rate(actor=cast.owner, rate=D(percent), effective_from=since, **row)


def rates(cast):
    with cast.reading():
        return [(one.tax_class, one.rate, one.effective_from, one.effective_to) for one in reads.tax_rates()]


def test_a_new_rate_ends_the_one_before_and_stops_at_the_next(north):
    rate(north)
    rate(north, "16", JULY)
    rate(north, "18", MAY)
    rate(north, "7", tax_class="reduced")

    assert rates(north) == [
        ("reduced", D(7), APRIL, None),
        ("standard", D(19), APRIL, MAY),
        ("standard", D(18), MAY, JULY),
        ("standard", D(16), JULY, None),
    ]
    with pytest.raises(Conflict, match="DE has a rate for standard supplies from Fri 1 May 2026 already"):
        rate(north, "17", MAY)
    with pytest.raises(Conflict, match="Let this one end there or before"):
        rate(north, "17", JUNE, effective_to=date(2026, 8, 1))


@pytest.mark.parametrize(
    ("values", "pointer", "sentence"),
    [
        ({"tax_class": "luxury"}, "/tax_class", "luxury is no tax class. Choose one of standard,"),
        ({"category": "Q"}, "/category", "Q is no category. Choose one of S, Z, E,"),
        ({"jurisdiction": "Germany"}, "/jurisdiction", "A tax jurisdiction is a country"),
        ({"percent": "101"}, "/rate", "Rate lies from 0 to 100."),
        ({"percent": "-1"}, "/rate", "Rate lies from 0 to 100."),
        ({"percent": "0"}, "/category", "Category S has a rate above 0."),
        ({"category": "Z"}, "/rate", "Category Z has the rate 0."),
        ({"category": "E", "percent": "0"}, "/exemption_reason", "Say why there is no tax"),
        ({"effective_to": APRIL}, "/effective_to", "its end must lie after that"),
    ],
)
def test_a_rate_that_makes_no_sense_is_refused(north, values, pointer, sentence):
    with pytest.raises(BadInput, match=sentence) as refusal:
        rate(north, **values)

    assert pointers(refusal) == [pointer]
    assert rates(north) == []


def test_a_closed_month_keeps_its_rates_but_can_get_one_where_it_had_none(north):
    list_prices(north)
    rate(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)

    with pytest.raises(Conflict, match="April 2026 is closed, so a tax rate can change on Fri 1 May 2026"):
        rate(north, "20", date(2026, 4, 30))
    rate(north, "7", tax_class="reduced")  # what waited for it was held
    rate(north, "20", MAY)
    assert rates(north) == [
        ("reduced", D(7), APRIL, None),
        ("standard", D(19), APRIL, MAY),
        ("standard", D(20), MAY, None),
    ]


def test_who_may_not_manage_contracts_and_prices_changes_nothing(north):
    viewer = north.actors[Role.VIEWER]
    for refused in (
        lambda: parties.set_legal_entity(actor=viewer, code="DE", values=SELLER),
        lambda: parties.set_profile(actor=viewer, customer_id=north.customer.id, values={}),
        lambda: parties.set_site_billing(actor=viewer, sites=[]),
        lambda: parties.add_purchase_orders(actor=viewer, orders=[]),
        lambda: parties.set_tax_rate(
            actor=viewer,
            jurisdiction="DE",
            tax_class="standard",
            category="S",
            rate=D(19),
            effective_from=APRIL,
        ),
    ):
        with pytest.raises(Forbidden):
            refused()
