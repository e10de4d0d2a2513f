"""What is to be sent to customers: documents as they are issued and again, reminders, statements, letters of new prices.

Each is a row that says to whom, and a job that ``delivering`` does. Nothing is sent twice for one key.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import islice
from uuid import UUID

from django.core.exceptions import ValidationError
from django.core.validators import validate_email

import accounts.queries
from accounts import clock, jobs, tenancy
from accounts.errors import BadInput, Conflict, NotFound, Problem
from accounts.ids import uuid7
from accounts.jobs import Job
from accounts.languages import N_, _
from accounts.permissions import Actor, Permission, require
from billing.commands.contracts import record_renewals
from billing.commands.webhooks import tidying
from billing.models import Document, LegalEntity, PriceVersion, Sending
from billing.queries import documents as issued
from billing.queries import parties, prices, sending, settling
from billing.queries.settling import Standing
from billing.queries.wording import in_operators_words
from billing.rules import messages
from billing.rules.dating import plain_day
from billing.rules.reminders import DEFAULT_DAYS, step_due

SEND = "billing.tasks.send"
NO_ADDRESS = N_("The customer has no e-mail address.")
AGAIN_AFTER = timedelta(minutes=1)
MOST_DAYS = 3_660
SLICE = 1_000


def owe(documents: Sequence[Document]) -> None:
    """Owe the mails of newly issued documents, in the open transaction. Who wants no mail is owed none.

    A customer without an address gets a row that says so, for the document's page.
    """
    waiting = (document for document in documents if document.kind != "opening")
    with in_operators_words():
        _owe(waiting)


def _owe(waiting: Iterator[Document]) -> None:
    while part := list(islice(waiting, SLICE)):
        recipients = _recipients({document.customer_id for document in part})
        _store(
            _row(
                recipients[document.customer_id],
                document,
                kind="issue",
                key=f"issue/{document.number}",
                subject=messages.document_subject(document.kind, document.number, issuer_name(document)),
            )
            for document in part
            if recipients[document.customer_id].wants_mail
        )


def send_again(*, actor: Actor, number: str, to: str = "") -> Sending:
    """Owe a document's mail once more, to the customer's address or to ``to``.

    NotFound for an unknown number; BadInput for what is no address, or without any; Conflict when the same went to the
    same address less than a minute ago, as a form sent twice would.
    """
    require(actor, Permission.DOCUMENTS_SEND)
    with tenancy.writing(actor):
        document = issued.get_document(number)
        if document.kind == "opening":
            raise BadInput(
                _(
                    "{number} comes from the books before, so there is no letter of it here. Nothing was sent.",
                    number=number,
                )
            )
        recipient = _recipients({document.customer_id})[document.customer_id]
        recipient = _to_another(recipient, to)
        _refuse_at_once(document, recipient.email)
        with in_operators_words():
            subject = messages.document_subject(document.kind, number, issuer_name(document))
        sent = _row(recipient, document, kind="again", key="", subject=subject)
        sent.key = f"again/{sent.id}"
        _store([sent])
        return sent


def _refuse_at_once(document: Document, email: str) -> None:
    since = clock.now() - AGAIN_AFTER
    if Sending.objects.filter(document=document, kind="again", to=email, owed_at__gt=since).exists():
        raise Conflict(
            _(
                "{number} was sent to {email} less than a minute ago. If it doesn't arrive, send it once more then.",
                number=document.number,
                email=email,
            )
        )


def send_statement(*, actor: Actor, customer_id: UUID, since: date, until: date, to: str = "") -> Sending:
    """Owe a customer's statement of account of the days [since, until], both ends included."""
    require(actor, Permission.DOCUMENTS_SEND)
    if not since <= until or (until - since).days > MOST_DAYS:
        raise BadInput(
            _("A statement ends on or after the day it begins, within ten years. Nothing was sent."),
            errors=[Problem("/until", "period", _("Choose a day from the statement's first day on."))],
        )
    with tenancy.writing(actor):
        recipient = _recipients({customer_id}).get(customer_id)
        if recipient is None:
            detail = _("There is no customer here with this id.")
            raise NotFound(detail, errors=[Problem("/customer", "not-found", detail)])
        recipient = _to_another(recipient, to)
        with in_operators_words():
            subject = messages.statement_subject(since, until, parties.default_entity().legal_name)
        sent = _row(recipient, None, kind="statement", key="", subject=subject)
        sent.key = f"statement/{since}/{until}/{sent.id}"
        _store([sent])
        return sent


def statement_days(sent: Sending) -> tuple[date, date]:
    """The first and the last day of a statement sent."""
    _, since, until, _ = sent.key.split("/")
    return date.fromisoformat(since), date.fromisoformat(until)


def announce_price(*, actor: Actor, version_id: UUID) -> list[Sending]:
    """Owe the letters of a price to come to all whom it concerns, and note the day. Once: it is Conflict after that.

    BadInput when the price is in force already or still waits for its index figure.
    """
    require(actor, Permission.DOCUMENTS_SEND)
    with tenancy.writing(actor):
        PriceVersion.objects.select_for_update().filter(id=version_id).first()
        change = sending.price_change(prices.get_price_version(version_id))
        today = clock.today(accounts.queries.get_operator().zone)
        if change.announced_on is not None:
            raise Conflict(
                _(
                    "The letters of this price were made on {announced_on}. Nothing was sent again.",
                    announced_on=plain_day(change.announced_on),
                )
            )
        if change.after is None or change.effective_from <= today:
            raise BadInput(
                _(
                    "A price is announced once its amount is known and before the day that it begins. Nothing was sent."
                )
            )
        recipients = _recipients({one.id for one in change.concerns})
        with in_operators_words():
            subject = messages.price_subject(change.effective_from, parties.default_entity().legal_name)
            rows = [
                _row(
                    recipients[one.id],
                    None,
                    kind="price_change",
                    key=f"price/{version_id}/{one.id}",
                    subject=subject,
                )
                for one in change.concerns
            ]
        _store(rows)
        PriceVersion.objects.filter(id=version_id).update(announced_on=today)
        return rows


def remind_due(*, actor: Actor, today: date) -> int:
    """Owe the reminders that fall due on a day; gives how many. On the same day again it owes none."""
    require(actor, Permission.DOCUMENTS_SEND)
    with tenancy.writing(actor), in_operators_words():
        return _remind(today)


def run_nightly(operator_id: UUID, job_id: UUID) -> bool:
    """What falls due by the day, as a job: reminders, terms that contracts went on for by themselves, webhooks tidied."""
    return jobs.perform(operator_id, job_id, _nightly_effect)


def _nightly_effect(actor: Actor, job: Job) -> None:
    today = clock.today(accounts.queries.get_operator().zone)
    record_renewals(today)
    with in_operators_words():
        _remind(today)
    tidying.tidy(clock.now())


def _remind(today: date) -> int:
    """Remind of what is overdue and not paid: who wants mail, one step a document, none for a disputed cent too few."""
    overdue = [debt for debt in settling.open_debts() if debt.due_on < today and debt.left > 0]
    steps = _steps_due(overdue, today)
    recipients = _recipients({debt.customer_id for debt in overdue})
    documents = {row.id: row for row in Document.objects.filter(id__in=steps).defer("ubl")}
    rows = [
        _row(
            recipients[documents[id_].customer_id],
            documents[id_],
            kind="reminder",
            key=f"reminder/{documents[id_].number}/{step}",
            subject=messages.reminder_subject(step, documents[id_].number, issuer_name(documents[id_])),
            step=step,
        )
        for id_, step in steps.items()
        if recipients[documents[id_].customer_id].wants_mail
    ]
    _store(rows)
    return len(rows)


def _steps_due(overdue: Sequence[Standing], today: date) -> dict[UUID, int]:
    days: dict[UUID | None, list[int]] = {
        entity.id: entity.reminder_days for entity in LegalEntity.objects.all()
    }
    last = sending.reminders_of([debt.id for debt in overdue], accounts.queries.get_operator().zone)
    found = {}
    for debt in overdue:
        steps = days.get(debt.legal_entity_id) or DEFAULT_DAYS
        if step := step_due(debt.due_on, today, steps, last.get(debt.id)):
            found[debt.id] = step
    return found


# Rows


@dataclass(frozen=True, slots=True)
class _Recipient:
    customer_id: UUID
    email: str
    wants_mail: bool


def _recipients(customer_ids: set[UUID]) -> dict[UUID, _Recipient]:
    profiles = parties.profiles(customer_ids)
    return {
        customer.id: _Recipient(
            customer.id,
            customer.billing_email,
            customer.id not in profiles or profiles[customer.id].delivery == "email",
        )
        for customer in accounts.queries.customers_in(customer_ids).values()
    }


def _to_another(recipient: _Recipient, to: str) -> _Recipient:
    """The same customer at another address, if one is named."""
    email = to.strip() or recipient.email
    try:
        validate_email(email)
    except ValidationError:
        raise BadInput(
            _("Name the e-mail address to send it to. Nothing was sent.")
            if not email
            else _("This is no e-mail address. Nothing was sent."),
            errors=[Problem("/to", "email", _("An e-mail address, such as accounts@customer.example."))],
        ) from None
    return _Recipient(recipient.customer_id, email, wants_mail=True)


def issuer_name(document: Document) -> str:
    """Who issued a document, as it says itself; of a debt of the books before, who issues today."""
    said = document.document.get("issuer", {}).get("legal_name")
    return said or parties.default_entity().legal_name


def _row(
    recipient: _Recipient, document: Document | None, *, kind: str, key: str, subject: str, step: int = 0
) -> Sending:
    now = clock.now()
    return Sending(
        id=uuid7(now),
        customer_id=recipient.customer_id,
        document=document,
        kind=kind,
        step=step,
        key=key,
        to=recipient.email,
        subject=subject[:200],
        owed_at=now,
        failed="" if recipient.email else _(NO_ADDRESS),
    )


def _store(rows: Iterable[Sending]) -> None:
    """Store what is to be sent, and owe its jobs. A key that is there already is neither stored nor sent again."""
    made = list(rows)
    Sending.objects.bulk_create(made, ignore_conflicts=True, batch_size=SLICE)
    jobs.enqueue_all(kind=SEND, refs={row.key: str(row.id) for row in made if not row.failed})
