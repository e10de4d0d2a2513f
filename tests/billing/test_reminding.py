"""Reminders of what is overdue: by steps, each once, and never of what is paid."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest
from django.core import mail

from accounts import jobs, tenancy
from accounts import tasks as clockwork
from accounts.errors import Forbidden
from accounts.permissions import Role
from billing import tasks
from billing.commands import opening, parties, payments, sending
from billing.commands.payments import NewPayment
from tests.billing.books import APRIL, close, list_prices, on
from tests.billing.mailing import body_of, has_address, run_owed, sendings

# Issued on 3 May and to be paid within the usual 30 days: due on 2 June.
DUE = date(2026, 6, 2)


@pytest.fixture
def owing(north, superuser):
    """An operator whose one customer has not paid its April invoice of 75.00 EUR."""
    has_address(superuser, north)
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    run_owed(north)
    mail.outbox.clear()
    return north


def remind(cast, month, day):
    return sending.remind_due(actor=cast.owner, today=date(2026, month, day))


def pay(cast, amount):
    payments.record_payment(
        actor=cast.owner,
        payment=NewPayment(
            cast.customer.id,
            date(2026, 6, 10),
            Decimal(amount),
            allocations=[("INV-000001", Decimal(amount))],
        ),
    )


def steps(cast):
    return [one.step for one in sendings(cast) if one.kind == "reminder"]


def test_an_overdue_invoice_is_reminded_of_on_its_day_and_once(owing):
    early, on_the_day, again = remind(owing, 6, 8), remind(owing, 6, 9), remind(owing, 6, 9)
    run_owed(owing)

    # Seven days past due by default.
    assert (early, on_the_day, again) == (0, 1, 0)
    (sent,) = mail.outbox
    assert sent.subject == "Reminder: invoice INV-000001 from North Fixture Care"
    assert "our invoice INV-000001 of 3 May 2026 over 75.00 EUR is still open." in body_of(sent)
    assert "It was due on 2 June 2026." in body_of(sent)
    assert [name for name, _, _ in sent.attachments] == ["INV-000001.pdf"]


def test_the_steps_follow_each_other(owing, later):
    for day in range(15, 29):
        remind(owing, 6, day)
    first = steps(owing)
    later(days=14)
    assert remind(owing, 6, 29) == 1

    assert (first, steps(owing)) == ([1], [1, 2])


def test_what_is_paid_is_not_reminded_of(owing):
    pay(owing, "75.00")

    assert remind(owing, 7, 30) == 0
    assert steps(owing) == []


def test_what_is_paid_in_part_is_reminded_of_for_the_rest(owing):
    pay(owing, "50.00")
    remind(owing, 6, 15)
    run_owed(owing)

    assert "25.00 EUR of our invoice INV-000001 of 3 May 2026 over 75.00 EUR is still open." in body_of(
        mail.outbox[0]
    )
    assert "Still open 25.00 EUR" in body_of(mail.outbox[0])


def test_a_reminder_paid_before_it_goes_out_is_not_sent(owing):
    remind(owing, 6, 15)
    pay(owing, "75.00")

    run_owed(owing)

    assert mail.outbox == []
    assert [one.failed for one in sendings(owing) if one.kind == "reminder"] == [
        "Not sent: it was paid in the meantime."
    ]


def test_who_wants_no_mail_gets_no_reminder(owing):
    parties.set_profile(actor=owing.owner, customer_id=owing.customer.id, values={"delivery": "none"})

    assert remind(owing, 6, 15) == 0


def test_an_issuer_has_steps_of_its_own(north, superuser):
    has_address(superuser, north)
    parties.set_legal_entity(
        actor=north.owner,
        code="N",
        values={"legal_name": "North Care Ltd", "country": "DE", "reminder_days": [3], "payment_days": 14},
    )
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)

    # Due on 17 May.
    assert (remind(north, 5, 19), remind(north, 5, 20)) == (0, 1)
    assert sendings(north)[-1].subject == "Reminder: invoice INV-000001 from North Care Ltd"


def test_a_debt_of_the_books_before_is_reminded_of_without_a_letter(owing):
    debt = opening.NewDebt(
        owing.customer.id, "2025-77", date(2025, 12, 1), Decimal("10.00"), due_on=date(2025, 12, 31)
    )
    opening.record_opening_debts(actor=owing.owner, debts=[debt])
    remind(owing, 6, 3)
    run_owed(owing)

    (sent,) = mail.outbox
    assert "our invoice 2025-77 of 1 December 2025 over 10.00 EUR is still open." in body_of(sent)
    assert sent.attachments == []


def test_the_clock_owes_the_reminders_once_a_day(owing):
    clockwork.jobs.owe_everyone(kind=clockwork.NIGHTLY, slot="2026-06-15")
    clockwork.jobs.owe_everyone(kind=clockwork.NIGHTLY, slot="2026-06-15")
    with tenancy.reading(owing.owner):
        waiting = list(jobs.Job.objects.filter(kind=clockwork.NIGHTLY).values_list("id", flat=True))

    for job_id in waiting:
        tasks.nightly(str(owing.operator.id), str(job_id))

    assert len(waiting) == 1
    # Noon of 15 June is past the first step.
    assert steps(owing) == [1]


def test_only_who_sends_documents_reminds(owing):
    for role in (Role.VIEWER, Role.DISPATCHER, Role.CREW_MEMBER, Role.NETWORK):
        with pytest.raises(Forbidden):
            sending.remind_due(actor=owing.actors[role], today=DUE)
    assert sending.remind_due(actor=owing.actors[Role.BOOKKEEPER], today=DUE) == 0


def test_a_rival_is_not_reminded(owing, south):
    assert sending.remind_due(actor=south.owner, today=date(2026, 7, 1)) == 0
    assert steps(owing) == []
