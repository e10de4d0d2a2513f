"""Documents by mail: owed with their issue, sent once, tried again, and told on the document's page when they fail."""

from __future__ import annotations

import logging
from contextlib import nullcontext
from datetime import date
from decimal import Decimal

import pytest
from django.core import mail

from accounts import jobs, tenancy
from accounts.errors import BadInput, Conflict, Forbidden, NotFound
from accounts.permissions import Role
from billing import tasks
from billing.commands import opening, parties, sending
from billing.commands.delivering import NotDelivered
from tests.billing.books import APRIL, close, list_prices, on
from tests.billing.mailing import ADDRESS, body_of, claim, has_address, owed, run_owed, sendings
from tests.pages.sellers import sell_with_vat


@pytest.fixture
def billed(north, superuser, settings):
    """An operator whose one customer got its April invoice on 3 May, 75.00 EUR to be paid within 30 days."""
    settings.PUBLIC_URL = "https://bills.example"
    settings.DEFAULT_FROM_EMAIL = "billing@sender.example"
    has_address(superuser, north)
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    return north


def test_an_issued_invoice_is_mailed_with_its_letter(billed):
    assert [(one.kind, one.sent_at) for one in sendings(billed)] == [("issue", None)]
    assert len(mail.outbox) == 0

    run_owed(billed)

    (sent,) = mail.outbox
    assert sent.to == [ADDRESS]
    assert sent.subject == "Invoice INV-000001 from North Fixture Care"
    assert sent.from_email == "North Fixture Care <billing@sender.example>"
    # 45 for the installation and 30 for April, of the tests' own price list.
    assert "our invoice INV-000001 for April 2026 over 75.00 EUR, to be paid by" in body_of(sent)
    assert sent.body.startswith("Dear Quay Schools,\n")
    name, content, kind = sent.attachments[0]
    assert (name, content[:5], kind) == ("INV-000001.pdf", b"%PDF-", "application/pdf")
    (row,) = sendings(billed)
    assert row.sent_at is not None
    assert (row.to, row.failed, row.read_at) == (ADDRESS, "", None)


def test_an_e_invoice_is_attached_where_there_is_one(north, superuser):
    sell_with_vat(north)
    has_address(superuser, north)
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    run_owed(north)

    names = [(name, kind) for name, _, kind in mail.outbox[0].attachments]
    assert names == [("INV-000001.pdf", "application/pdf"), ("INV-000001.xml", "application/xml")]
    # 75.00 and 19 % of it, 14.25.
    assert "Net 75.00 EUR Tax 14.25 EUR Total 89.25 EUR" in body_of(mail.outbox[0])


def test_a_mail_says_what_machines_want_to_know_of_it(billed):
    run_owed(billed)

    message = mail.outbox[0].message()

    (row,) = sendings(billed)
    assert message["Message-ID"] == f"<{row.id}@sender.example>"
    # RFC 5322 dates it by the product's clock, which stands still in the tests.
    assert message["Date"] == "Mon, 15 Jun 2026 12:00:00 +0000"
    assert message["Auto-Submitted"] == "auto-generated"


def test_a_job_done_twice_sends_once(billed):
    (job,) = owed(billed)

    for _ in range(2):
        tasks.send(str(billed.operator.id), str(job.id))

    assert len(mail.outbox) == 1


def test_a_second_job_for_the_same_mail_sends_nothing(billed):
    run_owed(billed)
    (row,) = sendings(billed)
    with tenancy.writing(billed.owner):
        jobs.enqueue(kind="billing.tasks.send", dedup_key="once more", ref=str(row.id))

    run_owed(billed)

    assert len(mail.outbox) == 1


def test_a_customer_without_an_address_is_told_of_and_not_tried(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)

    assert [(one.to, one.failed) for one in sendings(north)] == [("", "The customer has no e-mail address.")]
    assert run_owed(north) == 0


def test_who_wants_no_mail_is_owed_none(north, superuser):
    has_address(superuser, north)
    parties.set_profile(actor=north.owner, customer_id=north.customer.id, values={"delivery": "none"})
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)

    assert sendings(north) == []


def test_a_mail_is_tried_again_when_the_server_is_away(billed, settings):
    working = settings.EMAIL_BACKEND
    (job,) = owed(billed)
    settings.EMAIL_BACKEND = "tests.billing.mailing.Away"
    with pytest.raises(NotDelivered, match="could not be reached"):
        tasks.send(str(billed.operator.id), str(job.id))
    (waiting,) = sendings(billed)
    assert (waiting.sent_at, waiting.failed) == (None, "")

    settings.EMAIL_BACKEND = working
    run_owed(billed)

    assert len(mail.outbox) == 1
    assert sendings(billed)[0].sent_at is not None


def test_an_address_refused_for_good_is_not_tried_again(billed, settings):
    settings.EMAIL_BACKEND = "tests.billing.mailing.Refusing"

    run_owed(billed)

    assert [(one.sent_at, one.failed) for one in sendings(billed)] == [
        (None, "The mail server refused the address (550).")
    ]
    assert owed(billed) == []


def test_after_five_attempts_a_mail_is_given_up_and_says_so(billed, settings, later):
    settings.EMAIL_BACKEND = "tests.billing.mailing.PuttingOff"
    tried = 0
    while claimed := claim(billed):
        tried += 1
        with nullcontext() if tried == 5 else pytest.raises(NotDelivered, match="put the address off"):
            tasks.send(str(billed.operator.id), str(claimed[0].id))
        later(minutes=10)

    assert tried == 5
    assert sendings(billed)[0].failed == (
        "Given up after 5 attempts. The mail server put the address off (450)."
    )
    assert owed(billed) == []


def test_without_a_mail_server_a_document_says_so(billed, settings):
    settings.EMAIL_BACKEND = "django.core.mail.backends.dummy.EmailBackend"

    run_owed(billed)

    assert sendings(billed)[0].failed == "No mail server is set up here."
    assert sendings(billed)[0].sent_at is None


def test_the_log_of_a_failed_mail_names_neither_address_nor_link(billed, settings, caplog):
    settings.EMAIL_BACKEND = "tests.billing.mailing.PuttingOff"
    (job,) = owed(billed)

    with caplog.at_level(logging.DEBUG), pytest.raises(NotDelivered, match="450"):
        tasks.send(str(billed.operator.id), str(job.id))

    assert "job_failed" in caplog.text
    assert ADDRESS not in caplog.text
    assert "/shared/" not in caplog.text
    assert ADDRESS not in owed(billed)[0].last_error


def test_a_document_is_sent_again_to_whom_one_names(billed, later):
    run_owed(billed)
    bookkeeper = billed.actors[Role.BOOKKEEPER]

    sending.send_again(actor=bookkeeper, number="INV-000001")
    sending.send_again(actor=bookkeeper, number="INV-000001", to="head@quay.example")
    run_owed(billed)

    assert {one.to for one in sendings(billed) if one.kind == "again"} == {ADDRESS, "head@quay.example"}
    assert "It is a copy of the invoice of 3 May 2026, as you asked." in body_of(mail.outbox[-1])
    assert len(mail.outbox) == 3


def test_a_form_sent_twice_sends_one_copy(billed, later):
    sending.send_again(actor=billed.owner, number="INV-000001")
    with pytest.raises(Conflict, match="less than a minute ago"):
        sending.send_again(actor=billed.owner, number="INV-000001")
    later(minutes=1)

    sending.send_again(actor=billed.owner, number="INV-000001")

    assert sum(one.kind == "again" for one in sendings(billed)) == 2


def test_what_cant_be_sent_is_refused(billed):
    with pytest.raises(NotFound):
        sending.send_again(actor=billed.owner, number="INV-000009")
    with pytest.raises(BadInput) as odd:
        sending.send_again(actor=billed.owner, number="INV-000001", to="nobody at all")
    assert [problem.pointer for problem in odd.value.errors] == ["/to"]
    for role in (Role.VIEWER, Role.DISPATCHER, Role.NETWORK):
        with pytest.raises(Forbidden):
            sending.send_again(actor=billed.actors[role], number="INV-000001")
    debt = opening.NewDebt(billed.customer.id, "2025-77", date(2025, 12, 1), Decimal("10.00"))
    opening.record_opening_debts(actor=billed.owner, debts=[debt])
    with pytest.raises(BadInput, match="books before"):
        sending.send_again(actor=billed.owner, number="2025-77")
    assert all(one.kind == "issue" for one in sendings(billed))


def test_a_statement_is_mailed_with_what_moved_and_what_is_owed(billed):
    sending.send_statement(
        actor=billed.owner, customer_id=billed.customer.id, since=date(2026, 5, 1), until=date(2026, 5, 31)
    )
    run_owed(billed)

    body = body_of(mail.outbox[-1])
    assert mail.outbox[-1].subject == (
        "Statement of account from North Fixture Care, 1 May 2026 to 31 May 2026"
    )
    assert "Invoice INV-000001" in body
    assert "You owe us 75.00 EUR." in body
    assert mail.outbox[-1].attachments == []


def test_a_statement_of_no_days_is_refused(billed):
    with pytest.raises(BadInput) as odd:
        sending.send_statement(
            actor=billed.owner, customer_id=billed.customer.id, since=date(2026, 6, 1), until=date(2026, 5, 1)
        )
    assert [problem.pointer for problem in odd.value.errors] == ["/until"]


def test_a_rivals_document_is_not_there_to_be_sent(billed, south):
    with pytest.raises(NotFound):
        sending.send_again(actor=south.owner, number="INV-000001")
    assert sendings(south) == []


def test_no_line_of_a_mail_is_longer_than_mail_allows_but_its_link(billed):
    sending.send_statement(
        actor=billed.owner, customer_id=billed.customer.id, since=date(2026, 5, 1), until=date(2026, 5, 31)
    )
    run_owed(billed)

    # RFC 5322, section 2.1.1: SHOULD be no more than 78 characters.
    lines = [line for message in mail.outbox for line in message.body.splitlines()]
    assert len(mail.outbox) == 2
    assert [line for line in lines if len(line) > 78 and not line.startswith("https://")] == []
