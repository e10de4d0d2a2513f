"""Mail as it goes out: each a job of its own, tried again when the mail server is away, given up with a word on its row."""

from __future__ import annotations

from datetime import date
from email.headerregistry import Address
from email.utils import format_datetime, parseaddr
from uuid import UUID

from django.conf import settings
from django.core.mail import EmailMessage
from django.urls import reverse

from accounts import clock, jobs, phrases, tenancy
from accounts.commands.mailing import GivenUp, NotDelivered, hand_over, refuse_unsent
from accounts.jobs import Job
from accounts.languages import _
from accounts.permissions import Actor, system_actor
from billing.commands.sending import issuer_name, statement_days
from billing.models import Document, Sending
from billing.queries import parties, prices, sending, settling, statement
from billing.queries.statement import Statement
from billing.queries.wording import in_operators_words
from billing.rules import messages
from billing.rules.letters import pdf
from billing.rules.messages import About, Account, Message, Moved, Sender


def deliver(operator_id: UUID, job_id: UUID) -> bool:
    """Send one mail as a job: row and job in one transaction. A mail that is sent or given up already is let be.

    A crash between sending and commit sends it once more, under the same Message-ID.
    """
    return jobs.perform(operator_id, job_id, _deliver)


def _deliver(actor: Actor, job: Job) -> None:
    sent = sending.with_documents().filter(id=job.ref, sent_at=None, failed="").first()
    if sent is not None:
        with in_operators_words():
            _deliver_one(sent, job)


def _deliver_one(sent: Sending, job: Job) -> None:
    try:
        hand_over(_mail(sent))
    except GivenUp as why:
        Sending.objects.filter(id=sent.id).update(failed=str(why)[:200])
    except NotDelivered as fault:
        if job.attempts < jobs.MOST_ATTEMPTS:
            raise
        Sending.objects.filter(id=sent.id).update(
            failed=_("Given up after {attempts} attempts. {fault}", attempts=job.attempts, fault=fault)[:200]
        )
    else:
        Sending.objects.filter(id=sent.id).update(sent_at=clock.now())


def _mail(sent: Sending) -> EmailMessage:
    """A mail with its attachments. GivenUp when there is nothing more to be said, or nobody to carry it."""
    refuse_unsent()
    sender = _sender(sent)
    message = _message(sent, sender)
    address = parseaddr(settings.DEFAULT_FROM_EMAIL)[1]
    mail = EmailMessage(
        subject=message.subject,
        body=message.text,
        from_email=_named(sender.legal_name, address),
        to=[sent.to],
        reply_to=[sender.email] if sender.email else None,
        headers={
            "Message-ID": f"<{sent.id}@{address.rpartition('@')[2]}>",
            "Date": format_datetime(clock.now()),
            "Auto-Submitted": "auto-generated",  # RFC 3834: no answer by a machine
        },
    )
    if sent.document is not None and sent.document.kind != "opening":
        _attach(mail, sent.document)
    return mail


def _named(name: str, address: str) -> str:
    return str(Address(display_name=messages.in_one_line(name), addr_spec=address))


def _attach(mail: EmailMessage, document: Document) -> None:
    mail.attach(f"{document.number}.pdf", pdf.render(document.document), "application/pdf")
    if document.ubl:
        mail.attach(f"{document.number}.xml", document.ubl.encode(), "application/xml")


def _sender(sent: Sending) -> Sender:
    if sent.document is not None and sent.document.kind != "opening":
        return messages.sender_of(sent.document.document, issuer_name(sent.document))
    entity = parties.default_entity()
    return Sender(**{name: getattr(entity, name) for name in Sender.__dataclass_fields__})


def _message(sent: Sending, sender: Sender) -> Message:
    name = sent.customer.name
    if sent.kind == "price_change":
        return _price_message(sent, sender)
    if sent.kind == "statement":
        return messages.statement_message(_accounts(sent), sent.subject, name, sender, link_to(sent))
    assert sent.document is not None, "all other mails are about a document"
    about = about_document(sent.document)
    if sent.kind != "reminder":
        return messages.document_message(about, name, sender, link_to(sent), again=sent.kind == "again")
    if about.open <= 0:
        raise GivenUp(_("Not sent: it was paid in the meantime."))
    return messages.reminder_message(about, sent.step, name, sender, link_to(sent))


def _accounts(sent: Sending) -> list[Account]:
    return [
        Account(
            one.currency,
            one.opening,
            tuple(Moved(row.on, row.text, row.amount, row.balance) for row in one.rows),
            one.closing,
        )
        for one in statements_of(sent)
    ]


def statements_of(sent: Sending) -> list[Statement]:
    """The statement that was sent, as it reads now: one for each currency that its customer has an account in."""
    since, until = statement_days(sent)
    found = statement.currencies(sent.customer_id) or [""]
    return [
        statement.statement(sent.customer_id, since=since, until=until, currency=currency)
        for currency in found
    ]


def _price_message(sent: Sending, sender: Sender) -> Message:
    version_id = UUID(sent.key.split("/")[1])
    change = sending.price_change(prices.get_price_version(version_id))
    if change.after is None:
        raise GivenUp(_("Not sent: the price is not known any more."))
    new = messages.NewPrice(
        item=change.item_name,
        before=change.before,
        after=change.after,
        currency=change.currency,
        effective_from=change.effective_from,
        contract=change.contract_number,
        site=change.site_name,
    )
    return messages.price_message(new, sent.customer.name, sender)


def about_document(document: Document) -> About:
    """A document as a letter speaks of it, with what is open of it now."""
    standing = settling.standings(ids=[document.id])[0]
    corrects = document.document.get("references", {}).get("corrects")
    month = document.document.get("month")
    return About(
        kind=document.kind,
        number=document.number,
        issued_on=document.issued_on,
        due_on=document.due_on,
        currency=document.currency,
        net=document.net,
        tax=document.tax,
        payable=standing.payable,
        open=standing.left,
        corrects=corrects["number"] if corrects else "",
        po_number=document.po_number,
        month=phrases.month(date.fromisoformat(f"{month}-01")) if month else "",
    )


def link_to(sent: Sending) -> str:
    """The address at which a customer reads what was sent; "" where the product doesn't know its own."""
    if not settings.PUBLIC_URL:
        return ""
    return settings.PUBLIC_URL + reverse(
        "shared", args=[sending.token_of(tenancy.current_operator_id(), sent.id)]
    )


def mark_read(*, token: str) -> UUID:
    """Note that a link was opened, the first time; gives the operator that it leads to. NotFound for no link of ours.

    Whoever holds the link may: the signature in it stands for a permission.
    """
    operator_id, sending_id = sending.read_token(token)
    with tenancy.writing(system_actor(operator_id)):
        found = sending.shared(sending_id)
        Sending.objects.filter(id=found.id, read_at=None).update(read_at=clock.now())
    return operator_id
