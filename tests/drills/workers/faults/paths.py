"""The ways to write: each operation of the API that writes, forms of pages, and what workers do."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

from django.db import connections

from accounts import clock, tenancy
from accounts.jobs import Job, enqueue
from config.celery import app
from tests.api.callers import Api, phone_of, signed_in
from tests.api.calls import BODIES, BY_PHONE, FILES, LATER, PLACES, QUERIES, Setting, operations
from tests.cast import Cast
from tests.drills.workers.faults.trying import JOB_NOTES, Path

READS = frozenset({"get", "head"})
# A look through a file stores nothing.
LOOKS = frozenset({"preview_bank_file"})
# Each time a code is shown is noted.
EACH_TIME = frozenset({"show_entry_code"})


def api_paths(setting: Setting, document: dict[str, Any]) -> Iterator[tuple[str, Path]]:
    """Each operation that writes, by its name; made when it is its turn, for its rows are of its own making."""
    for name, address, method in operations(document):
        if method not in READS and name not in LOOKS:
            yield name, _api_path(_signed_in_then(setting, name), name, address, method)


def _signed_in_then(setting: Setting, name: str) -> Setting:
    """At another time nobody is signed in any more."""
    if name not in LATER:
        return setting
    with clock.playing(LATER[name]):
        return replace(setting, api=signed_in(setting.cast))


def _api_path(setting: Setting, name: str, address: str, method: str) -> Path:
    places = {**setting.ids, **PLACES.get(name, lambda s: {})(setting)}
    query = QUERIES.get(name, lambda s: {})(setting)
    body = BODIES.get(name, lambda s: None)(setting)
    where = address.format(**places) + (
        "?" + "&".join(f"{key}={value}" for key, value in query.items()) if query else ""
    )
    kind = "application/json"
    if isinstance(body, bytes):
        kind = FILES.get(name, "application/xml")
    sent = body if isinstance(body, bytes) else json.dumps({} if body is None else body)
    api: Api = phone_of(setting.cast) if name in BY_PHONE | {"upload_service_events"} else setting.api
    api.raise_request_exception = False

    def send() -> int:
        answer = getattr(api, method)(
            where, sent, content_type=kind, headers={"idempotency-key": f'"{name}"'}
        )
        return int(answer.status_code)

    # What is gone already can't be removed again.
    also = frozenset({404}) if method == "delete" else frozenset()
    return Path(name, send, also=also, is_each_time=name in EACH_TIME)


def warm(setting: Setting) -> None:
    """What is loaded once is loaded, and connections are made."""
    setting.api.read("units")
    for alias in ("default", "system"):
        connections[alias].ensure_connection()


# By kind of job, how many transactions it takes that store something.
JOBS: dict[str, int] = {
    "servicing.tasks.sweep": 1,
    "servicing.tasks.refresh_due": 1,
    "servicing.tasks.seal": 1,
    "servicing.tasks.refit": 1,
    "servicing.tasks.announce_tomorrow": 1,
    "accounts.tasks.check_audit": 1,
    "billing.tasks.nightly": 1,
    "billing.tasks.tell": 1,
}


def worker_paths(cast: Cast) -> Iterator[tuple[str, Path]]:
    """What workers do: a job of each kind owed, and done as its message would have it."""
    app.loader.import_default_modules()
    for kind, commits in JOBS.items():
        yield kind, Path(kind, _worker(cast, kind), commits=commits, notes=JOB_NOTES)


def _worker(cast: Cast, kind: str) -> Callable[[], int]:
    task, operator_id, key = app.tasks[kind], cast.operator.id, f"fault {kind}"
    with tenancy.operator_scope(operator_id):
        enqueue(kind=kind, dedup_key=key)
        job_id = Job.objects.get(kind=kind, dedup_key=key).id

    def send() -> int:
        task(str(operator_id), str(job_id))
        return 200

    return send
