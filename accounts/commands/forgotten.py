"""Forgotten passwords: somebody asks for a link to a new one, and whoever works here by the address gets it by mail.

What was typed is put down as a row and answered by a worker later, so that the page does the same in the same time whether
anybody works here by the address or not.
"""

from __future__ import annotations

import logging
from collections.abc import Collection
from datetime import timedelta
from email.utils import format_datetime, parseaddr
from uuid import UUID

from django.conf import settings
from django.core.mail import EmailMessage
from django.db import transaction
from django.db.models import QuerySet
from django.urls import reverse

from accounts import clock, languages, queries
from accounts.commands import invitations, throttling
from accounts.commands.mailing import GivenUp, NotDelivered, hand_over
from accounts.commands.passwords import NO_PASSWORD, tokens
from accounts.ids import uuid7
from accounts.languages import Manner, _
from accounts.models import ResetAsked, User
from accounts.queries.sealing import seal_text, unseal_text

log = logging.getLogger("wickround.security")

PURPOSE = "forgotten password"
# Whoever still waits for a mail after that has asked again.
ANSWERED_WITHIN = timedelta(minutes=15)
# Of a flood nearly all are of nobody, and done with in a moment: whoever works here is not to wait behind them.
MOST_AT_ONCE = 1_000
_MOST_FAILED = 2
_MOST_TYPED = 254


def ask_for_new_password(*, email: str, network: str) -> None:
    """Owe the mail with the link, if anybody works here by this address. TooMany when it is asked too often, for anybody."""
    address = email.strip().lower()[:_MOST_TYPED]
    throttling.may_try(
        throttling.tally("reset", address),
        throttling.tally("reset_network", network),
    )
    asked = ResetAsked(id=uuid7(), asked_at=clock.now())
    asked.address = seal_text(PURPOSE, asked.id.bytes, address)
    asked.save(force_insert=True)


def is_asked() -> bool:
    """Whether somebody waits for an answer."""
    return ResetAsked.objects.exists()


def answer_asked() -> int:
    """Mail the links that are owed; gives how many requests are done with. Several workers may do it at once.

    What the mail server does not take now is tried again with the next call, for a quarter of an hour.
    """
    ResetAsked.objects.filter(asked_at__lt=clock.now() - ANSWERED_WITHIN).delete()
    done, failed = 0, set[UUID]()
    while done < MOST_AT_ONCE and len(failed) < _MOST_FAILED:
        tried = _answer_one(failed)
        if tried is None:
            break
        done += tried
    return done


def _answer_one(failed: set[UUID]) -> bool | None:
    """Whether one is done with; None when there is none left to try. Its row is locked while the mail is handed over."""
    with transaction.atomic(durable=True):
        asked = _waiting(failed).first()
        if asked is None:
            return None
        address = unseal_text(PURPOSE, asked.id.bytes, asked.address)
        person = queries.get_user_by_email(address) if address else None
        try:
            if person is not None and person.is_active:
                hand_over(_mail(person))
        except NotDelivered as fault:
            log.warning("new_password_not_mailed request=%s reason=%s", asked.id, fault)
            failed.add(asked.id)
            return False
        except GivenUp as why:
            log.warning("new_password_not_mailed request=%s reason=%s", asked.id, why)
        asked.delete()
    return True


def _waiting(failed: Collection[UUID]) -> QuerySet[ResetAsked]:
    waiting = ResetAsked.objects.select_for_update(skip_locked=True).order_by("asked_at", "id")
    return waiting.exclude(id__in=failed)


def _mail(person: User) -> EmailMessage:
    """The link; or for who was invited and has no password yet, what to do."""
    memberships = queries.memberships_of(person.id)
    locale = memberships[0].locale if memberships else settings.LANGUAGE_CODE
    sender = parseaddr(settings.DEFAULT_FROM_EMAIL)[1]
    with languages.speaking(Manner(languages.known_locale(locale))):
        if person.password == NO_PASSWORD:
            body = _(
                "Hello {name},\n\nsomebody asked for a new password for {email}. You have none yet: you were invited, and "
                "choose it by the link of the invitation. If that is over, ask whoever invited you for a new one.\n\nIf it "
                "was not you who asked, do nothing.\n",
                name=person.name,
                email=person.email,
            )
        else:
            body = _(
                "Hello {name},\n\nsomebody asked for a new password for {email}. Open this link within an hour and choose "
                "one:\n\n{link}\n\nIf it was not you, do nothing: your password stays as it is, and the link does nothing "
                "without you.\n",
                name=person.name,
                email=person.email,
                link=settings.PUBLIC_URL + path_of(person),
            )
        return EmailMessage(
            subject=_("A new password"),
            body=body,
            from_email=sender,
            to=[person.email],
            headers={
                "Message-ID": f"<{uuid7()}@{sender.rpartition('@')[2]}>",
                "Date": format_datetime(clock.now()),
                "Auto-Submitted": "auto-generated",  # RFC 3834: no answer by a machine
            },
        )


def path_of(person: User) -> str:
    """The link without the host. It holds for an hour, once, and until the person signs in or has another password."""
    return reverse("new-password", args=[person.id, tokens.make_token(person)])


def is_mailed() -> bool:
    """Whether such links go out by mail here."""
    return invitations.is_mailed()
