"""Mails to a person about their own sign-in, so that a change by somebody else does not pass unseen.

Sent as a job of one of their operators, in its language. Who works for no operator is told nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from email.utils import format_datetime, parseaddr
from typing import NamedTuple
from uuid import UUID

from django.conf import settings
from django.core.mail import EmailMessage
from django.db import transaction

from accounts import clock, jobs, languages, queries, tenancy
from accounts.commands.mailing import GivenUp, hand_over, refuse_unsent
from accounts.languages import N_, Manner, _
from accounts.models import Job
from accounts.permissions import Actor, system_actor

# Owed to accounts: a mail to a person; ``ref`` is the person's id and what it is about.
TELL = "accounts.tasks.tell_person"


class News(NamedTuple):
    subject: str
    body: str


# What a mail is about. Each says what happened and what to do if it was somebody else; none has a link, so that nobody gets
# used to following one.
NEWS: dict[str, News] = {
    "password_changed": News(
        N_("Your password was changed"),
        N_(
            "The password of {email} was changed by somebody who knew the one before. Everywhere else you were signed in, "
            "you are signed out."
        ),
    ),
    "password_reset": News(
        N_("You have a new password"),
        N_(
            "A new password was set for {email} by a link from a mail, and you are signed out everywhere. Sign in with it."
        ),
    ),
    "password_set": News(
        N_("A new password was set for you"),
        N_(
            "Whoever runs this installation set a new password for {email}, and you are signed out everywhere. Sign in with "
            "it, then change it on your own page."
        ),
    ),
    "second_factor_set_up": News(
        N_("A second factor was set up for your sign-in"),
        N_(
            "An authenticator was set up for {email}. From now on you sign in with your password and the code that it shows. "
            "Everywhere else you were signed in, you are signed out."
        ),
    ),
    "second_factor_removed": News(
        N_("The second factor of your sign-in was removed"),
        N_(
            "The second factor of {email} was removed. From now on your password alone signs you in. Everywhere else you "
            "were signed in, you are signed out."
        ),
    ),
    "second_factor_reset": News(
        N_("The second factor of your sign-in was reset"),
        N_(
            "The second factor of {email} was reset for you, with its recovery codes, and you are signed out everywhere. "
            "Sign in with your password and set up a new one."
        ),
    ),
    "recovery_codes_renewed": News(
        N_("You have new recovery codes"),
        N_(
            "New recovery codes were made for {email}; those from before are worth nothing. Everywhere else you were "
            "signed in, you are signed out."
        ),
    ),
    "recovery_code_used": News(
        N_("One of your recovery codes was used"),
        N_(
            "Somebody gave the password of {email} and one of your recovery codes, and was let in. If your authenticator is "
            "lost, set up another one and make new recovery codes."
        ),
    ),
    "codes_guessed": News(
        N_("Somebody knows your password and tries codes"),
        N_(
            "Somebody gave the password of {email} and then several wrong codes. Nobody was let in by them. If it was "
            "not you, change your password."
        ),
    ),
}


@contextmanager
def telling(user_id: UUID, what: str, *, key: str = "") -> Iterator[None]:
    """One durable transaction for a change to a person, and the mail about it owed in it.

    ``key``: a second mail about the same with the same key is not sent.
    """
    told = queries.memberships_of(user_id)[:1]
    if not told:
        with transaction.atomic(durable=True):
            yield
        return
    with tenancy.writing(system_actor(told[0].operator_id)):
        yield
        owe(user_id, what, key=key)


def owe(user_id: UUID, what: str, *, key: str = "") -> None:
    """Owe a person the mail about ``what``, in the open scope's transaction: the operator must be one of theirs."""
    assert what in NEWS
    jobs.enqueue(
        kind=TELL,
        dedup_key=f"{user_id}/{what}/{key or clock.now().isoformat()}",
        ref=f"{user_id}/{what}",
    )


def tell_person(operator_id: UUID, job_id: UUID) -> bool:
    """Mail one such news as a job."""
    return jobs.perform(operator_id, job_id, _send)


def _send(actor: Actor, job: Job) -> None:
    user_id, _slash, what = job.ref.partition("/")
    person = queries.get_user(UUID(user_id))
    member = next(
        (one for one in queries.memberships_of(person.id) if one.operator_id == actor.operator_id), None
    )
    operator = queries.get_operator()
    locale = member.locale if member else operator.locale
    sender = parseaddr(settings.DEFAULT_FROM_EMAIL)[1]
    news = NEWS[what]
    with languages.speaking(Manner(languages.known_locale(locale), operator.measures)):
        mail = EmailMessage(
            subject=_(news.subject),
            body=_(
                "Hello {name},\n\n{news}\n\nIf it was not you, tell an owner of {operator} now, by another way than "
                "this mail.\n",
                name=person.name,
                news=_(news.body, email=person.email),
                operator=operator.name,
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
        refuse_unsent()
        hand_over(mail)
    except GivenUp as why:
        jobs.note(job.id, str(why))
