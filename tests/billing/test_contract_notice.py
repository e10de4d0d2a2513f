"""Contracts that end and go on: notice and its end, renewals recorded once, and what is to be decided ahead."""

from datetime import date

import pytest

from accounts.errors import BadInput, Conflict
from billing.commands import contracts
from billing.commands.contracts import NewContractSite
from billing.queries import contracts as reads
from tests.billing.books import APRIL, JUNE
from tests.billing.test_contracts import add, rows


def test_notice_sets_the_end_once_and_can_be_taken_back(north):
    add(north)
    ended = contracts.give_notice(actor=north.owner, contract_number="K-1", given_on=JUNE)

    assert (ended.notice_given_on, ended.ends_before) == (JUNE, date(2027, 4, 1))
    with pytest.raises(
        Conflict, match="Notice was given on Mon 1 Jun 2026 already: K-1 ends before Thu 1 Apr 2027"
    ):
        contracts.give_notice(actor=north.owner, contract_number="K-1", given_on=JUNE)
    goes_on = contracts.withdraw_notice(actor=north.owner, contract_number="K-1")
    assert (goes_on.notice_given_on, goes_on.ends_before) == (None, None)
    with pytest.raises(Conflict, match="there is nothing to take back"):
        contracts.withdraw_notice(actor=north.owner, contract_number="K-1")


def test_both_sides_can_agree_on_another_end(north):
    add(north, term_months=24, renewal_months=0)

    with pytest.raises(Conflict, match="No notice is needed: K-1 ends before Sat 1 Apr 2028"):
        contracts.give_notice(actor=north.owner, contract_number="K-1", given_on=JUNE)
    with pytest.raises(BadInput, match="its end must lie after that"):
        contracts.give_notice(actor=north.owner, contract_number="K-1", given_on=JUNE, ends_before=APRIL)
    ended = contracts.give_notice(actor=north.owner, contract_number="K-1", given_on=JUNE, ends_before=JUNE)
    assert ended.ends_before == JUNE
    goes_on = contracts.withdraw_notice(actor=north.owner, contract_number="K-1")
    assert goes_on.ends_before == date(2028, 4, 1)


def test_work_after_the_end_waits_for_the_next_contract(north):
    add(north, term_months=0, renewal_months=0, notice_days=0, end_rule="exact_day")
    contracts.give_notice(actor=north.owner, contract_number="K-1", given_on=date(2026, 4, 30))

    assert rows(north) == [("S1", APRIL, None)]  # the site is nobody else's
    add(north, number="K-2", starts_on=JUNE)
    assert rows(north) == [("S1", APRIL, JUNE)]
    assert rows(north, "K-2") == [("S1", JUNE, None)]


def test_a_renewal_is_recorded_once_where_nobody_gave_notice(north):
    started = date(2025, 4, 1)
    sites = [NewContractSite(north.site.id, APRIL)]
    add(north, starts_on=started, sites=sites)
    add(north, number="K-2", starts_on=started, sites=[])
    add(north, number="K-3", starts_on=started, sites=[], term_months=0, renewal_months=0)
    contracts.give_notice(actor=north.owner, contract_number="K-2", given_on=date(2025, 12, 1))

    made = contracts.renew_due(actor=north.owner, today=date(2026, 3, 31))
    assert made == []
    made = contracts.renew_due(actor=north.owner, today=date(2027, 4, 1))
    assert [(row.contract.number, row.starts_on, row.ends_before) for row in made] == [
        ("K-1", date(2026, 4, 1), date(2027, 4, 1)),
        ("K-1", date(2027, 4, 1), date(2028, 4, 1)),
    ]
    assert contracts.renew_due(actor=north.owner, today=date(2027, 4, 1)) == []


def test_contracts_that_are_to_be_decided_on_are_listed_ahead(north):
    started = date(2025, 8, 1)
    add(north, number="renews", starts_on=started, sites=[])
    add(north, number="ends", starts_on=started, sites=[], renewal_months=0)
    add(north, number="later", starts_on=date(2025, 12, 1), sites=[])
    add(north, number="given", starts_on=started, sites=[])
    contracts.give_notice(actor=north.owner, contract_number="given", given_on=date(2026, 3, 1))
    today = date(2026, 4, 20)

    with north.reading():
        near, far = reads.renewals_ahead(today, 14), reads.renewals_ahead(today, 110)

    # 90 days of notice that end with 31 July are given on 2 May at the latest.
    assert [(one.number, one.term_ends_before, one.notice_by, one.renews_until) for one in near] == [
        ("renews", date(2026, 8, 1), date(2026, 5, 2), date(2027, 8, 1))
    ]
    assert [(one.number, one.notice_by, one.renews_until) for one in far] == [
        ("renews", date(2026, 5, 2), date(2027, 8, 1)),
        ("ends", None, None),
    ]
