"""The link by which a person becomes a member: what it ends with, how it is read, and the mail that carries it."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime, parseaddr
from uuid import UUID

from django.conf import settings
from django.core import signing
from django.core.mail import EmailMessage
from django.urls import reverse

from accounts import clock, jobs, languages, queries
from accounts.commands.mailing import UNSENT_BACKEND, GivenUp, hand_over
from accounts.errors import NotFound
from accounts.languages import N_, Manner, _
from accounts.models import Job, Member
from accounts.permissions import Actor

DAYS = 3
SALT = "accounts.invitation"
OVER = N_(
    "This invitation is over: it was taken up, withdrawn, replaced by a newer one, or is older than three days. "
    "Ask whoever invited you for a new link."
)
_MICROSECOND = timedelta(microseconds=1)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_LENGTH = 40


@dataclass(frozen=True, slots=True)
class Invitation:
    """What a link says, its signature checked: whether it still holds is what the member's row says."""

    operator_id: UUID
    member_id: UUID
    invited_at: datetime


def token_of(member: Member) -> str:
    """What the link ends with: the ids and the instant of the invitation, signed, so that nobody can guess another.

    A newer invitation has another instant, and one taken up has none: either ends the link.
    """
    assert member.invited_at is not None
    assert member.operator_id is not None
    instant = (member.invited_at - _EPOCH) // _MICROSECOND
    said = member.operator_id.bytes + member.id.bytes + instant.to_bytes(8, "big")
    return signing.Signer(salt=SALT, sep=".").sign(base64.urlsafe_b64encode(said).rstrip(b"=").decode())


def read_token(token: str) -> Invitation:
    """The invitation of a link; NotFound for one that was not made here or is too old. Needs no scope."""
    try:
        text = signing.Signer(salt=SALT, sep=".").unsign(token)
        said = base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
    except (signing.BadSignature, ValueError):
        said = b""
    if len(said) == _LENGTH:
        invited_at = _EPOCH + int.from_bytes(said[32:], "big") * _MICROSECOND
        if clock.now() < invited_at + timedelta(days=DAYS):
            return Invitation(UUID(bytes=said[:16]), UUID(bytes=said[16:32]), invited_at)
    raise NotFound(_(OVER))


def invited_member(invitation: Invitation) -> Member:
    """Inside the operator's scope: who is invited by a link; NotFound once it holds no longer."""
    member = Member.objects.filter(id=invitation.member_id, invited_at=invitation.invited_at).first()
    if member is None:
        raise NotFound(_(OVER))
    return member


def path_of(member: Member) -> str:
    """The link without the host."""
    return reverse("invitation", args=[token_of(member)])


def is_mailed() -> bool:
    """Whether invitations go out by mail here."""
    return settings.EMAIL_BACKEND != UNSENT_BACKEND and bool(settings.PUBLIC_URL)


def send_invitation(operator_id: UUID, job_id: UUID) -> bool:
    """Mail one invitation as a job. What was taken up or withdrawn meanwhile is let be."""
    return jobs.perform(operator_id, job_id, _send)


def _send(_actor: Actor, job: Job) -> None:
    member = Member.objects.filter(id=job.ref).exclude(invited_at=None).first()
    if member is None or not is_mailed():
        return
    operator = queries.get_operator()
    person = queries.get_user(member.user_id)
    sender = parseaddr(settings.DEFAULT_FROM_EMAIL)[1]
    with languages.speaking(Manner(languages.known_locale(operator.locale), operator.measures)):
        mail = EmailMessage(
            subject=_("{operator} invites you", operator=operator.name),
            body=_(
                "Hello {name},\n\n{operator} wants you to work with its units and visits. Open this link within three "
                "days; there you choose a password, or sign in if you have one:\n\n{link}\n\nIf you do not know "
                "{operator}, do nothing: without you the link does nothing.\n",
                name=member.name,
                operator=operator.name,
                link=settings.PUBLIC_URL + path_of(member),
            ),
            from_email=sender,
            to=[person.email],
            headers={
                "Message-ID": f"<{job.id}@{sender.rpartition('@')[2]}>",
                "Date": format_datetime(clock.now()),
                "Auto-Submitted": "auto-generated",  # RFC 3834: no answer by a machine
            },
        )
    try:
        hand_over(mail)
    except GivenUp as why:
        jobs.note(job.id, str(why))
