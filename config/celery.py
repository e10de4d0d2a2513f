"""The Celery application and its whole beat schedule. One UTC tick a minute; everything else is due-ness in rows."""

from __future__ import annotations

import os

from celery import Celery
from django.conf import settings
from kombu import Queue

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

app = Celery("wickround")
app.conf.update(
    broker_url=settings.REDIS_URL,
    task_acks_late=True,  # and
    task_reject_on_worker_lost=True,  # both, else a killed worker loses its task
    task_acks_on_failure_or_timeout=True,  # the row decides on a retry, not the broker
    worker_prefetch_multiplier=1,
    worker_concurrency=2,
    worker_pool="prefork",
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
    result_backend=None,
    task_ignore_result=True,  # results live in PostgreSQL
    broker_connection_retry_on_startup=True,
    broker_connection_max_retries=None,
    broker_pool_limit=10,
    worker_cancel_long_running_tasks_on_connection_loss=False,
    worker_soft_shutdown_timeout=20,
    worker_enable_soft_shutdown_on_idle=True,
    worker_send_task_events=False,
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
app.autodiscover_tasks(["accounts", "servicing", "billing"])
