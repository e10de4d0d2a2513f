"""Customers, sites and what is agreed for them: terms never change in place, they end and the next begin."""

from __future__ import annotations

from datetime import date

import pytest

from accounts import queries
from accounts.commands import customers
from accounts.errors import BadInput, Conflict, Forbidden, NotFound
from accounts.models import Job
from accounts.permissions import Role
from accounts.tenancy import reading

READERS = [Role.CREW_MEMBER, Role.BOOKKEEPER, Role.VIEWER]


def agree(actor, site, number, starts_on, ends_on=None, **terms):
    row = {
        "site_id": site.id,
        "number": number,
        "anchor_on": starts_on,
        "starts_on": starts_on,
        "ends_on": ends_on,
        **terms,
    }
    return customers.add_agreements(actor=actor, agreements=[row])[0]


def refreshes(cast) -> set[str]:
    with reading(cast.owner):
        return set(
            Job.objects.filter(kind="servicing.tasks.refresh_due", ref=str(cast.site.id)).values_list(
                "dedup_key", flat=True
            )
        )


def test_two_agreements_of_a_site_never_overlap(north):
    customers.end_agreement(actor=north.dispatcher, agreement_id=north.agreement.id, ends_on=date(2026, 7, 1))

    with pytest.raises(Conflict, match="overlap"):
        agree(north.dispatcher, north.site, "A2", date(2026, 6, 30))
    following = agree(north.dispatcher, north.site, "A2", date(2026, 7, 1), interval_months=2)

    with reading(north.owner):
        agreed = queries.agreements_of([north.site.id])[north.site.id]
    assert [(one.id, one.starts_on, one.ends_on) for one in agreed] == [
        (north.agreement.id, date(2026, 1, 1), date(2026, 7, 1)),
        (following.id, date(2026, 7, 1), None),
    ]


def test_an_agreement_ends_once(north):
    ended = customers.end_agreement(
        actor=north.dispatcher, agreement_id=north.agreement.id, ends_on=date(2026, 8, 1)
    )

    with pytest.raises(Conflict, match="ends on 2026-08-01 already"):
        customers.end_agreement(
            actor=north.dispatcher, agreement_id=north.agreement.id, ends_on=date(2026, 9, 1)
        )
    with reading(north.owner):
        assert ended.ends_on == queries.get_agreement(ended.id).ends_on == date(2026, 8, 1)


def test_an_agreement_ends_after_it_starts(north):
    with pytest.raises(BadInput, match="its end must lie after that"):
        customers.end_agreement(
            actor=north.dispatcher, agreement_id=north.agreement.id, ends_on=date(2026, 1, 1)
        )
    customers.end_agreement(actor=north.dispatcher, agreement_id=north.agreement.id, ends_on=date(2026, 1, 2))


def test_a_change_of_what_is_agreed_owes_new_due_days(north):
    at_first = refreshes(north)
    customers.end_agreement(actor=north.dispatcher, agreement_id=north.agreement.id, ends_on=date(2026, 7, 1))
    after_end = refreshes(north)
    agree(north.dispatcher, north.site, "A2", date(2026, 7, 1))

    assert len(at_first) == 1
    assert len(after_end) == 2
    assert len(refreshes(north)) == 3


@pytest.mark.parametrize(
    "terms",
    [{"interval_months": 0}, {"interval_months": 13}, {"grace_before_days": 14}, {"grace_after_days": 15}],
    ids=["an interval of none", "an interval over a year", "grace before too long", "grace after too long"],
)
def test_terms_that_no_due_day_can_keep_are_refused(north, terms):
    customers.end_agreement(actor=north.dispatcher, agreement_id=north.agreement.id, ends_on=date(2026, 7, 1))

    with pytest.raises(BadInput, match="lies from") as refusal:
        agree(north.dispatcher, north.site, "A2", date(2026, 7, 1), **terms)
    assert [(one.pointer, one.code) for one in refusal.value.errors] == [
        (f"/0/{name}", "out-of-range") for name in terms
    ]
    agree(north.dispatcher, north.site, "A2", date(2026, 7, 1), interval_months=12, grace_before_days=13)


def test_an_agreement_of_a_list_that_fails_takes_the_list_with_it(north):
    rows = [
        {"site_id": north.site.id, "number": number, "anchor_on": start, "starts_on": start}
        for number, start in (("B1", date(2027, 1, 1)), ("B2", date(2027, 2, 1)))
    ]

    with pytest.raises(Conflict, match="Nothing was added"):
        customers.add_agreements(actor=north.dispatcher, agreements=rows)

    with reading(north.owner):
        assert [one.number for one in queries.agreements()] == ["A1"]


def test_nothing_is_agreed_for_a_rivals_site(north, south):
    with pytest.raises(NotFound, match="no site here") as refusal:
        agree(north.dispatcher, south.site, "A9", date(2027, 1, 1))
    assert [one.pointer for one in refusal.value.errors] == ["/0/site"]
    with pytest.raises(NotFound, match="no service agreement here"):
        customers.end_agreement(
            actor=north.dispatcher, agreement_id=south.agreement.id, ends_on=date(2026, 7, 1)
        )

    with reading(south.owner):
        assert [(one.number, one.ends_on) for one in queries.agreements()] == [("A1", None)]


@pytest.mark.parametrize("role", READERS)
def test_only_the_office_changes_customers_sites_and_agreements(north, role):
    actor = north.actors[role]

    with pytest.raises(Forbidden):
        customers.add_customers(actor=actor, customers=[{"code": "C2", "name": "Lock", "country": "DE"}])
    with pytest.raises(Forbidden):
        customers.add_sites(actor=actor, sites=[])
    with pytest.raises(Forbidden):
        agree(actor, north.site, "A2", date(2027, 1, 1))
    with pytest.raises(Forbidden):
        customers.end_agreement(actor=actor, agreement_id=north.agreement.id, ends_on=date(2026, 7, 1))
    with pytest.raises(Forbidden):
        customers.set_usual_crew(actor=actor, site_id=north.site.id, crew_id=north.crew.id)

    made = customers.add_customers(
        actor=north.dispatcher, customers=[{"code": "C2", "name": "Lock", "country": "DE"}]
    )
    with reading(actor):
        assert [one.code for one in queries.customers()] == ["C1", made[0].code]


def test_a_site_needs_a_zone_of_the_iana_list_and_a_code_of_its_own(north):
    site = {
        "customer_id": north.customer.id,
        "code": "S2",
        "name": "Weir House",
        "kind": "office",
        "zone": "Europe/Lisbon",
    }

    with pytest.raises(BadInput, match="Europe/Nowhere is no time zone"):
        customers.add_sites(actor=north.dispatcher, sites=[site | {"zone": "Europe/Nowhere"}])
    with pytest.raises(Conflict, match="a site of this code, S1, exists already"):
        customers.add_sites(actor=north.dispatcher, sites=[site | {"code": "S1"}])
    customers.add_sites(actor=north.dispatcher, sites=[site])

    with reading(north.owner):
        assert [one.code for one in queries.sites()] == ["S1", "S2"]
        assert queries.site_zones() == ["Europe/Berlin", "Europe/Lisbon"]


def test_a_sites_usual_crew_is_one_of_its_operators(north, south):
    with pytest.raises(NotFound, match="no crew here"):
        customers.set_usual_crew(actor=north.owner, site_id=north.site.id, crew_id=south.crew.id)
    with pytest.raises(NotFound, match="no site here"):
        customers.set_usual_crew(actor=north.owner, site_id=south.site.id, crew_id=north.crew.id)

    assert (
        customers.set_usual_crew(actor=north.owner, site_id=north.site.id, crew_id=north.crew.id).crew_id
        == north.crew.id
    )
