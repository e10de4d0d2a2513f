"""Work that failed for good: an owner sees it, tries it again or gives it up; nobody else does."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

import pytest

from accounts import clock, jobs
from accounts.commands.clockwork import SWEEP
from accounts.jobs import long
from accounts.jobs.kinds import CLOSE_MONTH, LOOK_AT_IMPORT
from accounts.models import AuditEntry, Job
from accounts.permissions import Role
from accounts.tenancy import reading, writing
from servicing.commands import sweeps
from tests.cast import Cast
from tests.pages.visitors import signed_in, text_of


def put_aside(
    cast: Cast, *, kind: str = SWEEP, key: str = "2026-06-15T12:00", ref: str = "", said: str = ""
) -> Job:
    with writing(cast.owner):
        jobs.enqueue(kind=kind, dedup_key=key, ref=ref)
        job = Job.objects.get(kind=kind, dedup_key=key)
        job.attempts, job.quarantined_at, job.last_error = 5, clock.now(), said
        job.save(update_fields=["attempts", "quarantined_at", "last_error"])
        return job


def at(cast: Cast, path: str) -> str:
    return f"/{cast.operator.slug}{path}"


def row(cast: Cast, job: Job) -> Job:
    with reading(cast.owner):
        return Job.objects.get(id=job.id)


def acts(cast: Cast) -> list[tuple[str, str, dict[str, Any]]]:
    with reading(cast.owner):
        found = AuditEntry.objects.filter(kind="job").order_by("number")
        return [(one.action, one.actor_name, one.about) for one in found]


def test_an_owner_is_told_on_every_page_and_reads_what_failed_and_why(north):
    owner = signed_in(north, Role.OWNER)
    assert "failed and wait" not in text_of(owner.get(at(north, "/set-up/")))
    put_aside(north, said="OperationalError('connection to server at \"db\", password=secret')")
    put_aside(
        north,
        kind=jobs.DUE_REFRESH,
        key="site",
        ref=str(north.site.id),
        said="The site has no zone. Set one.",
    )

    assert "2 pieces of work failed and wait for your word" in text_of(owner.get(at(north, "/set-up/")))
    page = text_of(owner.get(at(north, "/quarantine/")))

    assert "2 pieces of work failed five times and wait for your word." in page
    assert "Look for what is late or out of order" in page
    assert f"{north.site.name}, {north.site.code}" in page
    assert "The site has no zone. Set one." in page
    assert "A fault of the program, OperationalError. Whoever runs the service finds it in the log." in page
    assert "secret" not in page
    assert "password" not in page


def test_what_is_tried_again_has_all_its_attempts_and_is_done(north):
    owner, job = signed_in(north, Role.OWNER), put_aside(north, said="ValueError('x')")

    answer = owner.submit(at(north, f"/quarantine/{job.id}/replay"))

    assert (answer.status_code, answer["Location"]) == (302, f"/{north.operator.slug}/quarantine/")
    again = row(north, job)
    assert (again.attempts, again.quarantined_at, again.lease_until) == (0, None, None)
    assert job.id in {one.id for one in jobs.claim_due(1_000_000)}
    assert sweeps.run_sweep(north.operator.id, job.id)
    assert "Nothing has failed for good." in text_of(owner.get(at(north, "/quarantine/")))
    assert acts(north) == [("job_tried_again", north.owner.name, {"job": SWEEP})]


def test_what_is_given_up_is_asked_about_first_and_never_done(north):
    owner, job = signed_in(north, Role.OWNER), put_aside(north)

    question = owner.get(at(north, f"/quarantine/{job.id}/give-up"))
    assert "It will not be done" in text_of(question)
    assert row(north, job).given_up_at is None
    owner.submit(at(north, f"/quarantine/{job.id}/give-up"))

    gone = row(north, job)
    assert (gone.given_up_at, gone.given_up_by) == (clock.now(), north.owner.name)
    assert job.id not in {one.id for one in jobs.claim_due(1_000_000)}
    assert not sweeps.run_sweep(north.operator.id, job.id)
    assert acts(north) == [("job_given_up", north.owner.name, {"job": SWEEP})]
    said = text_of(owner.get(at(north, "/set-up/audit")))
    assert "gave up work that had failed: Look for what is late or out of order" in said


def test_long_work_is_about_what_its_own_page_says(north):
    with writing(north.owner):
        look = long.begin(
            kind=LOOK_AT_IMPORT,
            ref="sites/0123456789abcdef",
            asked={"kind": "sites", "name": "harbour sites.csv"},
            actor=north.owner,
        )
        close = long.begin(kind=CLOSE_MONTH, ref="2026-05", asked={}, actor=north.owner)
        for work in (look, close):
            Job.objects.filter(id=work.job_id).update(attempts=5, quarantined_at=clock.now())

    owner = signed_in(north, Role.OWNER)
    page = text_of(owner.get(at(north, "/quarantine/")))

    assert "harbour sites.csv" in page
    assert "0123456789abcdef" not in page
    assert "May 2026" in page
    of_the_file = at(north, f"/set-up/import/{look.id}")
    assert "An owner can have it tried again" in text_of(owner.get(of_the_file))
    owner.submit(at(north, f"/quarantine/{look.job_id}/give-up"))
    said = text_of(owner.get(of_the_file))
    assert "Nobody goes on with it any more" in said
    assert "tried again" not in said


def test_long_work_that_is_given_up_has_ended_and_its_page_promises_nothing(north):
    with writing(north.owner):
        work = long.begin(kind=CLOSE_MONTH, ref="2026-05", asked={}, actor=north.owner)
        long.put_file(work, 0, long.PART, b"rated")
        Job.objects.filter(id=work.job_id).update(attempts=5, quarantined_at=clock.now())
    owner, page = signed_in(north, Role.OWNER), at(north, f"/work/{work.id}")
    assert "an owner can have it tried again" in text_of(owner.get(page))

    owner.submit(at(north, f"/quarantine/{work.job_id}/give-up"))

    said = text_of(owner.get(page))
    assert "Nobody goes on with it any more; it can be asked for again." in said
    assert "tried again" not in said
    with reading(north.owner):
        gone = long.LongWork.objects.get(id=work.id)
        assert (gone.outcome, gone.ended_at) == ("failed", clock.now())
        assert not long.file_names(work)


def test_all_of_a_kind_at_once(north):
    owner = signed_in(north, Role.OWNER)
    kept = put_aside(north, kind="servicing.tasks.refit")
    sweeping = [put_aside(north, key=f"2026-06-15T12:0{minute}") for minute in range(3)]
    assert "Look for what is late or out of order: 3" in text_of(owner.get(at(north, "/quarantine/")))

    owner.submit(at(north, f"/quarantine/all/{SWEEP}/replay"))
    assert [row(north, one).quarantined_at for one in sweeping] == [None] * 3
    assert row(north, kept).quarantined_at is not None

    more = [put_aside(north, key=f"2026-06-15T13:0{minute}") for minute in range(2)]
    assert "Give up 2 times" in text_of(owner.get(at(north, f"/quarantine/all/{SWEEP}/give-up")))
    owner.submit(at(north, f"/quarantine/all/{SWEEP}/give-up"))
    assert all(row(north, one).given_up_at for one in more)
    assert row(north, kept).given_up_at is None
    assert [(action, about.get("count")) for action, _, about in acts(north)] == [
        ("job_tried_again", 3),
        ("job_given_up", 2),
    ]


def test_what_is_decided_already_or_a_rivals_is_not_found(north, south):
    owner, job = signed_in(north, Role.OWNER), put_aside(south)

    for act in ("replay", "give-up"):
        for job_id in (job.id, uuid4()):
            assert owner.submit(at(north, f"/quarantine/{job_id}/{act}")).status_code == 404
    assert owner.get(at(north, f"/quarantine/all/{SWEEP}/give-up")).status_code == 404
    assert row(south, job).quarantined_at is not None


@pytest.mark.parametrize("role", [one for one in Role if one is not Role.OWNER])
def test_only_owners_decide(north, role):
    job, somebody = put_aside(north), signed_in(north, role)

    assert somebody.get(at(north, "/quarantine/")).status_code == 403
    assert somebody.submit(at(north, f"/quarantine/{job.id}/replay")).status_code == 403
    assert row(north, job).attempts == 5
