"""Jobs as people read of them: what each kind does, why one failed, and which parts of the service did their work lately."""

from __future__ import annotations

from datetime import timedelta
from uuid import uuid4

import pytest

from accounts import jobs
from accounts.rules.job_words import TITLES, said_of, title_of
from accounts.tenancy import writing
from config.celery import app

KIND = "tests.tasks.nothing"


def test_every_kind_of_job_that_is_sent_has_a_title():
    """A job's task takes the operator's and the job's id, and nothing else."""
    app.loader.import_default_modules()
    kinds = {
        name
        for name, task in app.tasks.items()
        if not name.startswith("celery.") and task.run.__code__.co_varnames[:2] == ("operator_id", "job_id")
    }

    assert kinds - TITLES.keys() == set()
    assert len(kinds) > 10
    assert title_of("some.tasks.odd_thing") == "Odd thing"


@pytest.mark.parametrize(
    ("kept", "shown"),
    [
        ("", ""),
        ("The month is closed already.", "The month is closed already."),
        ("One line.\nAnd a secret on the next.", "One line."),
        (
            "NotDelivered('The mail server put the mail off (451).')",
            "The mail server put the mail off (451).",
        ),
        (
            "OperationalError('connection failed: password=hunter2\\n')",
            "A fault of the program, OperationalError. Whoever runs the service finds it in the log.",
        ),
        (
            "psycopg.errors.UniqueViolation('duplicate key (email)=(a@b.example)')",
            "A fault of the program, UniqueViolation. Whoever runs the service finds it in the log.",
        ),
        (
            "KeyError('token')",
            "A fault of the program, KeyError. Whoever runs the service finds it in the log.",
        ),
    ],
)
def test_an_owner_is_told_why_without_what_only_the_service_may_know(kept, shown):
    assert said_of(kept) == shown


def test_signs_tell_how_long_ago_and_are_forgotten_after_a_while(database, superuser):
    name = jobs.of_worker(f"{uuid4()}@host")
    assert jobs.sign(name) is None
    jobs.beat(name, tasks=3)

    found = jobs.sign(name)
    assert found is not None
    assert (found.nodename, found.figures) == (name.removeprefix("worker/"), {"tasks": 3})
    assert 0 <= found.age_seconds < 60
    superuser.execute("UPDATE accounts_heartbeat SET at = at - interval '2 days' WHERE name = %s", [name])
    assert name in {one.name for one in jobs.forget_signs(older_than=timedelta(days=1))}
    assert jobs.sign(name) is None


def test_how_much_is_owed_is_counted_over_all(north, later):
    before = jobs.depth()
    with writing(north.owner):
        for key in "abc":
            jobs.enqueue(kind=KIND, dedup_key=key)
    later(seconds=10)
    now = jobs.depth()

    assert now.due - before.due == 3
    assert now.oldest_due_seconds >= 10
    jobs.claim_due(1_000_000)
    assert jobs.depth().due < now.due
