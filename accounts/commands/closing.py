"""An owner's word that the operator is to be closed, how it is withdrawn, and the mails that tell all owners of either."""

from __future__ import annotations

from datetime import timedelta
from email.utils import format_datetime, parseaddr
from uuid import UUID

from django.conf import settings
from django.core.mail import EmailMessage
from django.db import IntegrityError

from accounts import clock, jobs, languages, phrases, queries, tenancy
from accounts.commands.mailing import GivenUp, hand_over, refuse_unsent
from accounts.errors import BadInput, Conflict, Forbidden, Problem
from accounts.ids import uuid7
from accounts.languages import N_, Manner, _
from accounts.models import Closing, Job, Member
from accounts.permissions import Actor, ActorKind, Permission, require
from accounts.queries.support import owners

# Between an owner's word and the day from which everything may be deleted.
DAYS = 30
# Owed to accounts: a mail to an owner; ``ref`` is what it tells, the closing's and the member's id.
TELL = "accounts.tasks.tell_of_closing"
ASKED, WITHDRAWN = "asked", "withdrawn"

_SUBJECTS = {
    ASKED: N_("{operator} is to be closed"),
    WITHDRAWN: N_("{operator} stays open"),
}
_BODIES = {
    ASKED: N_(
        "Hello {name},\n\n{by} asked for {operator} to be closed. From {day} on whoever runs the service may write out "
        "everything once more, hand it over, and then delete everything for good: customers, sites, work, documents and "
        "books.\n\nUntil then any owner can withdraw it, and all owners can take everything along as a file; both are under "
        "Set-up. Look now whether your law asks you to keep documents, and keep them.\n"
    ),
    WITHDRAWN: N_("Hello {name},\n\n{operator} is not to be closed any more: that was withdrawn.\n"),
}


def ask_to_close(*, actor: Actor, slug: str) -> Closing:
    """Have the operator closed in ``DAYS`` days. ``slug`` is its address as the owner typed it.

    BadInput for another address, Conflict when it is to be closed already.
    """
    require(actor, Permission.OPERATOR_CLOSE)
    if actor.kind is not ActorKind.MEMBER or actor.id is None:
        raise Forbidden(_("Only an owner has an operator closed. Sign in as one."))
    now = clock.now()
    try:
        with tenancy.writing(actor):
            operator = queries.get_operator()
            if slug.strip() != operator.slug:
                wrong = _(
                    "Type {slug}, the operator's address. Nothing was asked for yet.", slug=operator.slug
                )
                raise BadInput(wrong, errors=[Problem("/slug", "other", wrong)])
            due_on = clock.today(operator.zone) + timedelta(days=DAYS)
            closing = Closing(
                id=uuid7(now),
                operator_id=actor.operator_id,
                asked_by_id=actor.id,
                asked_at=now,
                due_on=due_on,
            )
            closing.save(force_insert=True)
            _owe_mails(closing, ASKED)
            return closing
    except IntegrityError as clash:
        raise Conflict(_("This operator is to be closed already.")) from clash


def withdraw_closing(*, actor: Actor) -> None:
    """The operator stays. Conflict when it was not to be closed, or everything was written out for it already."""
    require(actor, Permission.OPERATOR_CLOSE)
    with tenancy.writing(actor):
        closing = Closing.objects.select_for_update(of=("self",)).filter(withdrawn_at=None).first()
        if closing is None:
            raise Conflict(_("This operator is not to be closed."))
        if closing.exported_at is not None:
            raise Conflict(_("This operator is being closed at this moment."))
        closing.withdrawn_at = clock.now()
        closing.save(update_fields=["withdrawn_at"])
        _owe_mails(closing, WITHDRAWN)


def _owe_mails(closing: Closing, what: str) -> None:
    """One mail an owner, so that none gets a second one when another's fails."""
    keys = [f"{what}/{closing.id.hex}/{owner.id.hex}" for owner in owners()]
    jobs.enqueue_all(kind=TELL, refs={key: key for key in keys})


def tell_of_closing(operator_id: UUID, job_id: UUID) -> bool:
    """Mail it to one owner as a job."""
    return jobs.perform(operator_id, job_id, _tell)


def _tell(_actor: Actor, job: Job) -> None:
    what, closing_id, member_id = job.ref.split("/")
    closing = Closing.objects.select_related("asked_by").get(id=closing_id)
    owner = Member.objects.select_related("user").filter(id=member_id, is_active=True).first()
    # Withdrawn before the mail went out: the mail about that says all.
    if owner is None or (what == ASKED and closing.withdrawn_at is not None):
        return
    operator = queries.get_operator()
    sender = parseaddr(settings.DEFAULT_FROM_EMAIL)[1]
    locale = languages.known_locale(owner.locale or operator.locale)
    with languages.speaking(Manner(locale, operator.measures)):
        mail = EmailMessage(
            subject=_(_SUBJECTS[what], operator=operator.name),
            body=_(
                _BODIES[what],
                name=owner.name,
                by=closing.asked_by.name,
                operator=operator.name,
                day=phrases.day_year(closing.due_on),
            ),
            from_email=sender,
            to=[owner.user.email],
            headers={
                "Message-ID": f"<{job.id}@{sender.rpartition('@')[2]}>",
                "Date": format_datetime(clock.now()),
                "Auto-Submitted": "auto-generated",  # RFC 3834: no answer by a machine
            },
        )
    try:
        refuse_unsent()
        hand_over(mail)
    except GivenUp as why:
        jobs.note(job.id, str(why))
