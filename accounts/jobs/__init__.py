"""Obligations as rows: a job is owed once its row is committed, and done once its effect is. Celery only makes it soon.

The relay claims what is due with a lease and sends its id to a worker; a worker that dies, or a broker that forgets,
costs no more than the lease. What failed at every attempt is put aside for a person, and nothing waits for it.
"""

from __future__ import annotations

from accounts.jobs.claiming import (
    MOST_IN_FLIGHT,
    Claimed,
    Depth,
    Hopeless,
    claim_due,
    depth,
    forget_done,
    give_back,
    let_go_made_good,
    owe_everyone,
    put_aside,
)
from accounts.jobs.doing import begin_attempt, finish_like, perform, plainly
from accounts.jobs.owing import (
    ALERTS_TURNED,
    DUE_REFRESH,
    LEASE_SECONDS,
    MOST_ATTEMPTS,
    enqueue,
    enqueue_all,
    is_done,
    last_owed,
    lease,
    note,
    refs_at_work,
)
from accounts.jobs.signs import RELAY, TICK, Sign, beat, forget_signs, note_end, of_worker, sign, signs
from accounts.models import Job

__all__ = [
    "ALERTS_TURNED",
    "DUE_REFRESH",
    "LEASE_SECONDS",
    "MOST_ATTEMPTS",
    "MOST_IN_FLIGHT",
    "RELAY",
    "TICK",
    "Claimed",
    "Depth",
    "Hopeless",
    "Job",
    "Sign",
    "beat",
    "begin_attempt",
    "claim_due",
    "depth",
    "enqueue",
    "enqueue_all",
    "finish_like",
    "forget_done",
    "forget_signs",
    "give_back",
    "is_done",
    "last_owed",
    "lease",
    "let_go_made_good",
    "note",
    "note_end",
    "of_worker",
    "owe_everyone",
    "perform",
    "plainly",
    "put_aside",
    "refs_at_work",
    "sign",
    "signs",
]
