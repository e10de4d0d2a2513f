"""Contracts: made with sites and terms, joined and left, given notice of, renewed; and what is refused."""

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest

from accounts.commands import customers
from accounts.errors import BadInput, Conflict, Forbidden, NotFound
from accounts.permissions import Role
from billing.commands import contracts, parties
from billing.commands.contracts import NewContract, NewContractSite
from billing.commands.terms import NewTerms
from billing.queries import contracts as reads
from billing.rules.inputs import covers
from billing.rules.terms import Inclusion, Mode, Terms
from tests.billing.books import APRIL, JUNE, MAY, close, list_prices, on

WICKS = Inclusion("wick.changed", 1, "unit", "year")


def new(cast, **changes):
    values = {
        "number": "K-1",
        "customer_id": cast.customer.id,
        "starts_on": APRIL,
        "sites": [NewContractSite(cast.site.id)],
    }
    return NewContract(**{**values, **changes})


def add(cast, **changes):
    return contracts.add_contract(actor=cast.actors[Role.BOOKKEEPER], new=new(cast, **changes))


def second_site(cast, code="S2", customer_id=None):
    site = {
        "customer_id": customer_id or cast.customer.id,
        "code": code,
        "name": f"House {code}",
        "kind": "office",
        "zone": "Europe/Berlin",
    }
    return customers.add_sites(actor=cast.owner, sites=[site])[0]


def rows(cast, number="K-1"):
    """Site code and days of each row of a contract."""
    with cast.reading():
        return [
            (row.site.code, row.starts_on, row.ends_before)
            for row in reads.sites_of(reads.get_contract(number).id)
        ]


def frozen_contracts():
    """Every contract as rating reads it, inside a scope."""
    return reads.contracts_in([contract.id for contract in reads.contracts()])


def pointers(refusal):
    return [problem.pointer for problem in refusal.value.errors]


def test_a_contract_is_made_with_its_sites_and_terms_as_rating_reads_them(north):
    made = add(north, terms=NewTerms(mode="flat_site", inclusions=[WICKS], invoice_minimum=Decimal("38.00")))

    with north.reading():
        (frozen,) = frozen_contracts()
        (site,) = reads.contract_sites()
        nobody = reads.contracts_in([north.site.id])
    assert (frozen.id, frozen.number, frozen.customer_id, frozen.entity_id) == (
        made.id,
        "K-1",
        north.customer.id,
        None,
    )
    assert frozen.terms == (
        Terms(APRIL, mode=Mode.FLAT_SITE, inclusions=(WICKS,), invoice_minimum=Decimal("38.000000")),
    )
    assert (site.contract_id, site.site_id, site.starts_on, site.ends_before) == (
        made.id,
        north.site.id,
        APRIL,
        None,
    )
    assert nobody == []


def test_reading_for_a_close_takes_the_same_few_statements_for_many_sites(north, django_assert_num_queries):
    sites = [second_site(north, f"S{n}") for n in range(2, 12)]
    for number, site in enumerate(sites):
        add(north, number=f"K-{number}", sites=[NewContractSite(site.id)])

    with north.reading(), django_assert_num_queries(4):
        assert len(frozen_contracts()) == len(reads.contract_sites()) == 10


def test_a_contract_that_does_not_renew_itself_ends_with_its_term(north):
    assert add(north, term_months=24, renewal_months=0).ends_before == date(2028, 4, 1)
    assert add(north, number="K-2", sites=[], term_months=0, renewal_months=0).ends_before is None


# Bad input


@pytest.mark.parametrize(
    ("changes", "pointer", "sentence"),
    [
        ({"number": "/"}, "/number", "A code has letters"),
        (
            {"ends_before": APRIL},
            "/ends_before",
            "It begins on Wed 1 Apr 2026, so its end must lie after that.",
        ),
        (
            {"end_rule": "someday"},
            "/end_rule",
            "someday is no end rule. Choose one of period_end, exact_day.",
        ),
        ({"term_months": 601}, "/term_months", "Term months lies from 0 to 600."),
        (
            {"term_months": 0},
            "/renewal_months",
            "A contract that runs until notice has no term to renew. Set 0.",
        ),
        ({"starts_on": date(1800, 1, 1)}, "/starts_on", "lies in the years 1900 to 2199"),
        ({"terms": NewTerms(MAY)}, "/terms/effective_from", "hold from the contract's first day on"),
        ({"terms": NewTerms(mode="weekly")}, "/terms/mode", "weekly is no mode. Choose one of unit_month,"),
    ],
)
def test_a_contract_that_makes_no_sense_is_refused(north, changes, pointer, sentence):
    with pytest.raises(BadInput, match=sentence) as refusal:
        add(north, **changes)

    assert pointers(refusal) == [pointer]
    with north.reading():
        assert frozen_contracts() == []


@pytest.mark.parametrize(
    ("changes", "pointer", "sentence"),
    [
        ({"cycle_months": 2}, "/cycle_months", "Bills come every 1, 3, 6 or 12 months."),
        ({"visit_minimum": Decimal(-1)}, "/visit_minimum", "A price is a decimal from 0"),
        ({"invoice_minimum": Decimal("1E+9")}, "/invoice_minimum", "A price is a decimal from 0"),
        ({"base_units": 3}, "/base_units", "Only a base fee covers units."),
        ({"claw_back_months": 12}, "/claw_back_months", "Only an installation that was free"),
        ({"mode": "per_visit", "in_advance": True}, "/in_advance", "nobody knows it in advance"),
        ({"mode": "unit_service", "cycle_months": 3}, "/cycle_months", "is billed every month. Set 1."),
        ({"mode": "unit_service", "credits_missed": True}, "/credits_missed", "has no fee"),
        ({"make_good_days": 366}, "/make_good_days", "lies from 0 to 365"),
        ({"credit_as": "cash"}, "/credit_as", "cash is no credit as. Choose one of line, credit_note."),
        (
            {"inclusions": [replace(WICKS, event_type="report.received")]},
            "/inclusions/0/event_type",
            "can't be in a fee",
        ),
        ({"inclusions": [replace(WICKS, count=0)]}, "/inclusions/0/count", "From 1 to 10,000"),
        ({"inclusions": [replace(WICKS, per="room")]}, "/inclusions/0/per", "per unit or per site"),
        ({"inclusions": [replace(WICKS, every="week")]}, "/inclusions/0/every", "every year or every month"),
        (
            {"inclusions": [replace(WICKS, event_type="visit.made")]},
            "/inclusions/0/per",
            "A visit is of a site, so it is in the fee per site.",
        ),
        ({"inclusions": [WICKS, WICKS]}, "/inclusions/1/event_type", "is in the fee twice"),
        ({"inclusions": [{"event_type": "wick.changed"}]}, "/inclusions", "and nothing else"),
    ],
)
def test_terms_that_make_no_sense_are_refused(north, changes, pointer, sentence):
    add(north)

    with pytest.raises(BadInput, match=sentence) as refusal:
        contracts.set_terms(actor=north.owner, contract_number="K-1", terms=NewTerms(MAY, **changes))

    assert pointers(refusal) == [pointer]
    with north.reading():
        assert len(frozen_contracts()[0].terms) == 1


def test_a_number_is_given_once(north):
    add(north)

    with pytest.raises(Conflict, match="A contract of the number K-1 exists already") as refusal:
        add(north, sites=[])
    assert pointers(refusal) == ["/number"]


def test_who_issues_and_whom_it_is_for_must_be_here(north, south):
    add(south)

    with pytest.raises(NotFound, match="There is no legal entity here with this code") as refusal:
        add(north, legal_entity="DE")
    assert pointers(refusal) == ["/legal_entity"]
    with pytest.raises(NotFound, match="There is no customer here") as refusal:
        add(north, customer_id=south.customer.id)
    assert pointers(refusal) == ["/customer"]
    with pytest.raises(NotFound, match="There is no site here") as refusal:
        add(north, sites=[NewContractSite(north.site.id), NewContractSite(south.site.id)])
    assert pointers(refusal) == ["/sites/1/site"]
    with pytest.raises(NotFound, match="There is no contract here with this number"):
        contracts.give_notice(actor=north.owner, contract_number="K-1", given_on=MAY)
    with pytest.raises(Forbidden):
        contracts.add_contract(actor=north.dispatcher, new=new(north))


# Sites and their days


def test_the_end_of_a_sites_days_is_exclusive(north):
    """FOCUS 1.0: billed from 2021-07-01 to 2021-08-01, the last day is 31 July (published, BillingPeriodEnd)."""
    july, august = date(2021, 7, 1), date(2021, 8, 1)
    add(north, starts_on=july, sites=[NewContractSite(north.site.id, july, august)])
    add(north, number="K-2", starts_on=july, sites=[NewContractSite(north.site.id, august)])

    ((_, starts_on, ends_before),) = rows(north)
    ((_, next_starts_on, _),) = rows(north, "K-2")
    assert covers(starts_on, ends_before, date(2021, 7, 31))
    assert not covers(starts_on, ends_before, august)
    assert covers(next_starts_on, None, august)


def test_a_day_of_a_site_has_one_contract(north):
    add(north, sites=[NewContractSite(north.site.id, APRIL, JUNE)])

    with pytest.raises(Conflict) as refusal:
        add(north, number="K-2", sites=[NewContractSite(north.site.id, MAY)])
    assert str(refusal.value) == (
        "Marl Quay School is under contract K-1 from Wed 1 Apr 2026 until before Mon 1 Jun 2026. "
        "End that first, or let this one begin later."
    )
    assert pointers(refusal) == ["/sites/0/site"]
    with north.reading():
        assert [contract.number for contract in frozen_contracts()] == ["K-1"]
    add(north, number="K-2", sites=[NewContractSite(north.site.id, JUNE)])


def test_a_site_stands_once_in_a_contract(north):
    twice = [NewContractSite(north.site.id), NewContractSite(north.site.id, MAY)]

    with pytest.raises(Conflict, match="is under contract K-1 from Wed 1 Apr 2026") as refusal:
        add(north, sites=twice)
    assert pointers(refusal) == ["/sites/1/site"]
    add(north, sites=[replace(twice[0], ends_before=MAY), twice[1]])
    assert rows(north) == [("S1", APRIL, MAY), ("S1", MAY, None)]


def test_a_site_joins_and_leaves(north):
    add(north)
    site = second_site(north)
    contracts.add_contract_site(actor=north.owner, contract_number="K-1", site=NewContractSite(site.id, MAY))
    ended = contracts.end_contract_site(
        actor=north.owner, contract_number="K-1", site_id=site.id, ends_before=JUNE
    )

    assert ended.ends_before == JUNE
    assert rows(north) == [("S1", APRIL, None), ("S2", MAY, JUNE)]
    with pytest.raises(Conflict, match="House S2 leaves the contract on Mon 1 Jun 2026 already"):
        contracts.end_contract_site(
            actor=north.owner, contract_number="K-1", site_id=site.id, ends_before=MAY
        )
    with pytest.raises(BadInput, match="so its end must lie after that"):
        contracts.end_contract_site(
            actor=north.owner, contract_number="K-1", site_id=north.site.id, ends_before=APRIL
        )
    with pytest.raises(NotFound, match="This contract has no such site"):
        contracts.end_contract_site(
            actor=north.owner, contract_number="K-1", site_id=north.customer.id, ends_before=MAY
        )


@pytest.mark.parametrize(
    ("days", "pointer", "sentence"),
    [
        (
            (date(2026, 3, 31),),
            "/starts_on",
            "The contract runs from Wed 1 Apr 2026 until before Mon 1 Jun 2026",
        ),
        ((JUNE,), "/starts_on", "the site can't join on Mon 1 Jun 2026"),
        ((MAY, date(2026, 6, 2)), "/ends_before", "the site can't stay longer"),
        ((MAY, MAY), "/ends_before", "its end must lie after that"),
    ],
)
def test_a_site_stays_within_its_contract(north, days, pointer, sentence):
    add(north, sites=[], ends_before=JUNE)

    with pytest.raises(BadInput, match=sentence) as refusal:
        contracts.add_contract_site(
            actor=north.owner, contract_number="K-1", site=NewContractSite(north.site.id, *days)
        )
    assert pointers(refusal) == [pointer]


def test_a_contract_is_for_its_customers_sites_and_those_it_pays_for(north):
    other = customers.add_customers(
        actor=north.owner, customers=[{"code": "C2", "name": "Lock Hotels", "country": "DE"}]
    )[0]
    site = second_site(north, customer_id=other.id)

    with pytest.raises(BadInput, match="House S2 is not a site of the contract's customer") as refusal:
        add(north, sites=[NewContractSite(site.id)])
    assert pointers(refusal) == ["/sites/0/site"]
    parties.set_profile(actor=north.owner, customer_id=other.id, values={"bill_to_id": north.customer.id})
    add(north, sites=[NewContractSite(site.id)])


# Terms from a day on


def test_other_terms_hold_from_their_day_on(north):
    add(north)
    contracts.set_terms(actor=north.owner, contract_number="K-1", terms=NewTerms(JUNE, mode="flat_site"))

    with north.reading():
        (contract,) = frozen_contracts()
    assert contract.terms_on(date(2026, 5, 31)).mode == Mode.UNIT_MONTH
    assert contract.terms_on(JUNE).mode == Mode.FLAT_SITE
    with pytest.raises(Conflict, match=r"K-1 has terms from Mon 1 Jun 2026 already\. Choose another day"):
        contracts.set_terms(actor=north.owner, contract_number="K-1", terms=NewTerms(JUNE))
    with pytest.raises(BadInput, match="The contract runs from Wed 1 Apr 2026"):
        contracts.set_terms(actor=north.owner, contract_number="K-1", terms=NewTerms(date(2026, 3, 31)))


# Closed months


def test_nothing_in_a_closed_month_changes(north):
    list_prices(north)
    add(north, term_months=0, renewal_months=0, notice_days=0)
    second = second_site(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    bookkeeper, last_day = north.actors[Role.BOOKKEEPER], date(2026, 4, 30)

    with pytest.raises(Conflict, match="April 2026 is closed, so a site can join on Fri 1 May 2026"):
        add(north, number="K-2", sites=[NewContractSite(second.id, last_day)])
    with pytest.raises(Conflict, match="so a site can leave on Fri 1 May 2026 at the earliest"):
        contracts.end_contract_site(
            actor=bookkeeper, contract_number="K-1", site_id=north.site.id, ends_before=last_day
        )
    with pytest.raises(Conflict, match="so terms can begin on Fri 1 May 2026 at the earliest") as refusal:
        contracts.set_terms(actor=bookkeeper, contract_number="K-1", terms=NewTerms(last_day))
    assert pointers(refusal) == ["/effective_from"]
    with pytest.raises(Conflict, match="so a contract can end on Fri 1 May 2026 at the earliest"):
        contracts.give_notice(
            actor=bookkeeper, contract_number="K-1", given_on=last_day, ends_before=last_day
        )

    assert rows(north) == [("S1", APRIL, None)]
    contracts.set_terms(actor=bookkeeper, contract_number="K-1", terms=NewTerms(MAY))
    # A contract may have begun earlier: its years are counted from then.
    add(north, number="K-2", starts_on=date(2024, 1, 1), sites=[NewContractSite(second.id, MAY)])
    assert (
        contracts.give_notice(actor=bookkeeper, contract_number="K-1", given_on=last_day).ends_before == MAY
    )
