"""How the tests of webhooks add endpoints, let the jobs that are owed be done, and read what was made."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from accounts import clock
from accounts.commands import customers
from accounts.jobs import Job
from billing import tasks
from billing.commands.webhooks import delivering, endpoints
from billing.commands.webhooks.wire import Answer
from billing.models import WebhookAttempt, WebhookDelivery, WebhookEndpoint
from tests.cast import Cast

URL = "https://books.quay.example/hooks"
TELL, DELIVER, SAY_STOPPED = (f"billing.tasks.{name}" for name in ("tell", "deliver", "say_stopped"))


def add(cast: Cast, url: str = URL, **rest: Any) -> endpoints.Made:
    return endpoints.add_endpoint(actor=cast.owner, url=url, **rest)


def add_customers(cast: Cast, count: int, prefix: str = "N") -> None:
    """Changes of customers, all in one transaction."""
    rows = [
        {"code": f"{prefix}-{number}", "name": f"New {number}", "country": "DE"} for number in range(count)
    ]
    customers.add_customers(actor=cast.owner, customers=rows)


def owed(cast: Cast, kind: str) -> list[Job]:
    """The jobs of a kind that are due."""
    with cast.reading():
        return list(
            Job.objects.filter(kind=kind, done_at=None, run_at__lte=clock.now()).order_by("run_at", "id")
        )


def tell(cast: Cast) -> int:
    """Do what is owed of telling, as a worker would."""
    waiting = owed(cast, TELL)
    for job in waiting:
        tasks.tell(str(cast.operator.id), str(job.id))
    return len(waiting)


def say_stopped(cast: Cast) -> int:
    waiting = owed(cast, SAY_STOPPED)
    for job in waiting:
        tasks.say_stopped(str(cast.operator.id), str(job.id))
    return len(waiting)


class Receiver:
    """Answers each message as told, and keeps what it got."""

    def __init__(self, *answers: Answer) -> None:
        self.answers = list(answers)
        self.got: list[tuple[str, dict[str, str], dict[str, Any]]] = []

    def __call__(self, url: str, headers: Any, body: bytes) -> Answer:
        self.got.append((url, dict(headers), json.loads(body)))
        return self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]


def taking() -> Receiver:
    return Receiver(Answer("delivered", status=200))


def failing(status: int = 500, retry_after: int | None = None) -> Receiver:
    return Receiver(Answer("refused", "status", status=status, retry_after=retry_after))


def deliver(cast: Cast, receiver: Callable[..., Answer]) -> int:
    """Do the deliveries that are due, each once; gives how many were tried."""
    return sum(delivering.deliver(cast.operator.id, job.id, send=receiver) for job in owed(cast, DELIVER))


def deliveries(cast: Cast) -> list[WebhookDelivery]:
    with cast.reading():
        return list(WebhookDelivery.objects.order_by("endpoint_id", "sequence"))


def attempts(cast: Cast) -> list[WebhookAttempt]:
    with cast.reading():
        return list(WebhookAttempt.objects.order_by("delivery_id", "number"))


def stored(cast: Cast, endpoint: WebhookEndpoint) -> WebhookEndpoint:
    with cast.reading():
        found: WebhookEndpoint = WebhookEndpoint.objects.get(id=endpoint.id)
        return found


def bodies(cast: Cast) -> list[dict[str, Any]]:
    return [json.loads(one.body) for one in deliveries(cast)]
