"""The audit: read again each night, so that a change of what was noted is soon found, and taken along as a file."""

from __future__ import annotations

import json
import logging
from uuid import UUID

from accounts import jobs, queries, tenancy
from accounts.auditing import note
from accounts.models import Job
from accounts.permissions import Actor, Permission, require
from accounts.rules.audit_chain import Head

CHECK = "accounts.tasks.check_audit"
# Of one job: some seconds. Where there are more, the next job reads on from there.
MOST_ENTRIES = 100_000

security = logging.getLogger("wickround.security")


def check_audit(operator_id: UUID, job_id: UUID) -> bool:
    """Read entries of one operator as a job: an error for each fault, else the last entry's hash, for a log kept elsewhere."""
    return jobs.perform(operator_id, job_id, _check)


def _check(actor: Actor, job: Job) -> None:
    after = queries.audit_entry(int(job.ref)) if job.ref else Head()
    checked = queries.check_audit(after=after, most=MOST_ENTRIES)
    for fault in checked.faults:
        security.error("audit_broken operator=%s entry=%d %s", actor.operator_id, fault.number, fault.detail)
    if checked.faults:
        return
    if checked.entries == MOST_ENTRIES:
        night = job.dedup_key.partition("/")[0]
        number = str(checked.head.number)
        jobs.enqueue(kind=CHECK, dedup_key=f"{night}/{number}", ref=number)
        return
    head = {"number": checked.head.number, "hash": checked.head.hash.hex()}
    security.info("audit_head operator=%s %s", actor.operator_id, json.dumps(head))


def take_file(*, actor: Actor) -> None:
    """Note that somebody takes the audit along as a file; whoever calls gives it out afterwards."""
    require(actor, Permission.AUDIT_READ)
    with tenancy.writing(actor):
        note(action="exported", kind="audit")
