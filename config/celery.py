"""The Celery application and its whole beat schedule. One UTC tick a minute; everything else is due-ness in rows."""

from __future__ import annotations

import os
from typing import Any

from celery import Celery, Task
from celery.beat import PersistentScheduler
from celery.exceptions import Ignore
from django.conf import settings
from kombu import Queue

from accounts import origin
from config import lifesigns, observing, starting, working

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
os.environ.setdefault("WICKROUND_STATEMENT_SECONDS", "60")
os.environ.setdefault("WICKROUND_IDLE_SECONDS", "60")


class CheckedTask(Task):
    """Work that is done with roles that isolation binds, or left: what is owed stands in rows and is sent again.

    What it changes is noted as come from the task of its name.
    """

    abstract = True

    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        if not starting.roles.hold and starting.roles.wrong():
            starting.roles.end_the_process()
            raise Ignore
        asked = self.request
        with (
            origin.coming_from(observing.of_job(str(self.name), args)),
            observing.task(
                str(self.name), asked.id or "", working.queue_of(asked), working.headers_of(asked)
            ),
        ):
            return super().__call__(*args, **kwargs)


class Clockwork(PersistentScheduler):
    """Beat's schedule, which stops at the first tick that finds a role it must not work beside."""

    def tick(self, *args: Any, **kwargs: Any) -> Any:
        if not starting.roles.hold:
            starting.refuse()
        return super().tick(*args, **kwargs)


class Application(Celery):
    """Workers and beat that start with roles that isolation binds, or not at all."""

    task_cls = CheckedTask

    @property
    def Worker(self) -> Any:  # noqa: N802 - Celery's name
        """The class of a worker, asked for by the command that starts one."""
        starting.refuse()
        working.begin()
        return self.subclass_with_self("celery.apps.worker:Worker")

    @property
    def Beat(self) -> Any:  # noqa: N802 - Celery's name
        """The class of beat, asked for likewise."""
        starting.refuse()
        return self.subclass_with_self("celery.apps.beat:Beat")


app = Application("wickround")
app.conf.update(
    broker_url=settings.REDIS_URL,
    task_acks_late=True,  # and
    task_reject_on_worker_lost=True,  # both, else a killed worker loses its task
    task_acks_on_failure_or_timeout=True,  # the row decides on a retry, not the broker
    worker_prefetch_multiplier=1,
    worker_concurrency=2,
    worker_pool="config.pool:Pool",  # prefork, see there
    worker_max_tasks_per_child=500,
    worker_max_memory_per_child=300_000,
    task_soft_time_limit=50,
    task_time_limit=60,  # less than half the visibility timeout
    broker_transport_options={
        "visibility_timeout": 150,
        "queue_order_strategy": "round_robin",
        "socket_keepalive": True,
        "socket_timeout": 15,
        "socket_connect_timeout": 5,
        "health_check_interval": 25,
        "retry_on_timeout": True,
        "global_keyprefix": settings.REDIS_PREFIX,
    },
    beat_scheduler=Clockwork,
    result_backend=None,
    task_ignore_result=True,  # results live in PostgreSQL
    broker_connection_retry_on_startup=True,
    broker_connection_max_retries=None,
    broker_pool_limit=10,
    worker_cancel_long_running_tasks_on_connection_loss=False,
    worker_soft_shutdown_timeout=20,
    worker_enable_soft_shutdown_on_idle=True,
    worker_send_task_events=False,
    worker_direct=True,  # a queue of its own besides, by which each is called
    task_publish_retry=True,
    task_publish_retry_policy={"max_retries": 1, "interval_start": 0, "interval_step": 0.2},
    task_serializer="json",
    accept_content=["json"],
    task_create_missing_queues=False,
    task_queues=[
        Queue(name) for name in ("alerts", "default", "bulk", "webhooks")
    ],  # by kind, never by operator
    task_default_queue="default",
    timezone="UTC",
    enable_utc=True,
    beat_schedule={
        "tick": {"task": "accounts.tasks.tick", "schedule": 60.0, "options": {"expires": 55}},
        "forget-done": {
            "task": "accounts.tasks.forget_done",
            "schedule": 3600.0,
            "options": {"expires": 3500},
        },
    },
)
working.connect()
lifesigns.connect()
app.autodiscover_tasks(["accounts", "servicing", "billing"])
