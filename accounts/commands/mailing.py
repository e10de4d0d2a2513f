"""How a mail is handed to the mail server, and what may become of it."""

from __future__ import annotations

import smtplib

from django.conf import settings
from django.core.mail import EmailMessage

from accounts.languages import _

UNSENT_BACKEND = "django.core.mail.backends.dummy.EmailBackend"
PERMANENT = 500  # RFC 5321 section 4.2.1: a reply of 5yz is for good


class NotDelivered(Exception):
    """The mail server did not take a mail this time. Says nothing of whom it was for: it ends in the log."""


class GivenUp(Exception):
    """A mail that will not be sent: its text says why, for the row."""


def refuse_unsent() -> None:
    """GivenUp where nobody carries mail."""
    if settings.EMAIL_BACKEND == UNSENT_BACKEND:
        raise GivenUp(_("No mail server is set up here."))


def hand_over(mail: EmailMessage) -> None:
    """Hand a mail over. GivenUp where the address is refused for good, NotDelivered where it may work later."""
    try:
        mail.send()
    except smtplib.SMTPRecipientsRefused as refused:
        code = max(code for code, _said in refused.recipients.values())
        if code >= PERMANENT:
            raise GivenUp(_("The mail server refused the address ({code}).", code=code)) from None
        raise NotDelivered(_("The mail server put the address off ({code}).", code=code)) from None
    except smtplib.SMTPAuthenticationError as refused:
        raise NotDelivered(
            _("The mail server refused the product's sign-in ({smtp_code}).", smtp_code=refused.smtp_code)
        ) from None
    except smtplib.SMTPResponseException as answer:
        if answer.smtp_code >= PERMANENT:
            raise GivenUp(
                _("The mail server refused the mail ({smtp_code}).", smtp_code=answer.smtp_code)
            ) from None
        raise NotDelivered(
            _("The mail server put the mail off ({smtp_code}).", smtp_code=answer.smtp_code)
        ) from None
    except (smtplib.SMTPException, OSError) as fault:
        raise NotDelivered(
            _("The mail server could not be reached ({fault}).", fault=type(fault).__name__)
        ) from None
