"""The mail to an owner that webhooks were stopped: what happened, that nothing is lost, and what to do."""

from __future__ import annotations

from email.utils import format_datetime, parseaddr
from urllib.parse import urlsplit
from uuid import UUID

from django.conf import settings
from django.core.mail import EmailMessage
from django.urls import reverse

import accounts.queries
from accounts import clock, jobs, languages, phrases
from accounts.commands.mailing import GivenUp, hand_over, refuse_unsent
from accounts.jobs import Job
from accounts.languages import Manner, _
from accounts.permissions import Actor
from billing.models import WebhookEndpoint
from billing.queries import webhooks
from billing.rules import messages


def say_stopped(operator_id: UUID, job_id: UUID) -> bool:
    """Mail one owner as a job, in the owner's language. Nothing is sent of an endpoint that runs again meanwhile."""
    return jobs.perform(operator_id, job_id, _say)


def _say(_actor: Actor, job: Job) -> None:
    endpoint_id, member_id = job.ref.split("/")
    endpoint = webhooks.endpoints().filter(id=endpoint_id).exclude(stopped_at=None).first()
    member = accounts.queries.members().filter(id=member_id, is_active=True).first()
    if endpoint is None or member is None:
        return
    operator = accounts.queries.get_operator()
    manner = Manner(languages.known_locale(member.locale or operator.locale), operator.measures)
    with languages.speaking(manner):
        try:
            refuse_unsent()
            hand_over(_mail(endpoint, member.name, member.user.email, job))
        except GivenUp as why:
            jobs.note(job.id, str(why))


def _mail(endpoint: WebhookEndpoint, name: str, to: str, job: Job) -> EmailMessage:
    operator = accounts.queries.get_operator()
    sender = parseaddr(settings.DEFAULT_FROM_EMAIL)[1]
    host = urlsplit(endpoint.url).hostname or endpoint.url
    subject = _("{operator}: nothing is sent to {host} any more", operator=operator.name, host=host)
    return EmailMessage(
        subject=messages.in_one_line(subject),
        body=_(
            "Hello {name},\n\n{what}\n\nNothing is lost: whatever changes meanwhile is told once you start the endpoint "
            "again, and the program can read all of it from the feed of changes at any time.\n\nPlease have the receiver "
            "looked after, and then start the endpoint again here:\n\n{where}\n",
            name=name,
            what=_what_happened(endpoint, operator.zone),
            where=_where(endpoint, operator.slug),
        ),
        from_email=sender,
        to=[to],
        headers={
            "Message-ID": f"<{job.id}@{sender.rpartition('@')[2]}>",
            "Date": format_datetime(clock.now()),
            "Auto-Submitted": "auto-generated",  # RFC 3834: no answer by a machine
        },
    )


def _what_happened(endpoint: WebhookEndpoint, zone: str) -> str:
    if endpoint.stopped_why == "gone":
        return _(
            "The receiver at {url} answered that it wants no more messages (HTTP 410), so the endpoint is stopped.",
            url=endpoint.url,
        )
    since = phrases.instant(endpoint.failing_since, zone) if endpoint.failing_since else ""
    return _(
        "No message has arrived at {url} since {since}, however often it was tried, so the endpoint is stopped.",
        url=endpoint.url,
        since=since,
    )


def _where(endpoint: WebhookEndpoint, slug: str) -> str:
    """The page to go to; its way through the navigation where the product doesn't know its own address."""
    if not settings.PUBLIC_URL:
        return _("Money, Webhooks, {url}", url=endpoint.url)
    return settings.PUBLIC_URL + reverse("webhook", args=[slug, endpoint.id])
