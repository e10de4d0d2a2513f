"""How the tests of mail set an operator up, run the jobs that are owed, and read what went out."""

from __future__ import annotations

import smtplib
from typing import Any

from django.core.mail.backends.base import BaseEmailBackend

from accounts import jobs, tenancy
from accounts.jobs import Job
from billing import tasks
from billing.models import Sending
from tests.cast import Cast

ADDRESS = "accounts@quay.example"
SEND = "billing.tasks.send"


def has_address(superuser: Any, cast: Cast, email: str = ADDRESS) -> None:
    """Master data of the cast's customer that nothing changes later."""
    superuser.execute(
        "UPDATE accounts_customer SET billing_email = %s WHERE id = %s", [email, cast.customer.id]
    )


def owed(cast: Cast) -> list[Job]:
    with tenancy.reading(cast.owner):
        return list(Job.objects.filter(kind=SEND, done_at=None).order_by("id"))


def run_owed(cast: Cast) -> int:
    """Do the mails that are owed, as a worker would; gives how many there were."""
    waiting = owed(cast)
    for job in waiting:
        tasks.send(str(cast.operator.id), str(job.id))
    return len(waiting)


def body_of(message: Any) -> str:
    """A mail's text in one line, however it was wrapped."""
    return " ".join(message.body.split())


def claim(cast: Cast) -> list[jobs.Claimed]:
    """Lease the operator's mails that are due, which counts as an attempt."""
    return [
        one for one in jobs.claim_due(1_000_000) if one.operator_id == cast.operator.id and one.kind == SEND
    ]


def sendings(cast: Cast) -> list[Sending]:
    """Everything sent or to be sent, the earliest first."""
    with tenancy.reading(cast.owner):
        return list(Sending.objects.select_related("document").order_by("owed_at", "key"))


class Away(BaseEmailBackend):
    """A mail server that cannot be reached."""

    def send_messages(self, email_messages: Any) -> int:
        raise ConnectionRefusedError(111, "Connection refused")


class Refusing(BaseEmailBackend):
    """A mail server that knows no such mailbox (RFC 5321: 550)."""

    def send_messages(self, email_messages: Any) -> int:
        raise smtplib.SMTPRecipientsRefused({email_messages[0].to[0]: (550, b"no such mailbox")})


class PuttingOff(BaseEmailBackend):
    """A mail server that asks to come back later (RFC 5321: 450)."""

    def send_messages(self, email_messages: Any) -> int:
        raise smtplib.SMTPRecipientsRefused({email_messages[0].to[0]: (450, b"greylisted")})
