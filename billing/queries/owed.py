"""What jobs of this app and those below it are about, for whoever looks at work that failed."""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import urlsplit
from uuid import UUID

from accounts.jobs import Job
from accounts.languages import _
from billing.models import Sending, WebhookDelivery
from servicing.queries import owed

SEND, DELIVER = "billing.tasks.send", "billing.tasks.deliver"


def about(jobs: Sequence[Job]) -> dict[UUID, str]:
    """By job, in the language of the moment; in the open scope."""
    found = owed.about(jobs)
    sends = {job.ref: job.id for job in jobs if job.kind == SEND}
    for sending in Sending.objects.filter(id__in=sends):
        found[sends[str(sending.id)]] = _("{subject}, to {to}", subject=sending.subject, to=sending.to)
    deliveries = {job.ref: job.id for job in jobs if job.kind == DELIVER}
    for one in WebhookDelivery.objects.filter(id__in=deliveries).select_related("endpoint"):
        found[deliveries[str(one.id)]] = _(
            "{type}, to {host}", type=one.type, host=urlsplit(one.endpoint.url).netloc
        )
    return found
