"""Work that failed at every attempt and waits for a person to decide about it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from django.conf import settings
from django.db.models import Count, QuerySet
from django.utils.module_loading import import_string

from accounts.errors import NotFound
from accounts.jobs import Job
from accounts.jobs.kinds import KINDS
from accounts.languages import _
from accounts.models import LongWork, Site
from accounts.queries.audit import audit_names, is_uuid
from accounts.rules.job_words import said_of, title_of


@dataclass(frozen=True, slots=True)
class Failed:
    """A job in words: what it does, what it is about (may be empty), and why it failed (may be empty)."""

    job: Job
    title: str
    about: str
    said: str


def quarantined() -> QuerySet[Job]:
    """In the open scope; the newest first."""
    found: QuerySet[Job] = Job.objects.filter(done_at=None, given_up_at=None, quarantined_at__isnull=False)
    return found.order_by("-quarantined_at", "-id")


def count_quarantined() -> int:
    """How much waits for somebody to decide, in the open scope."""
    return quarantined().count()


def quarantined_kinds() -> list[tuple[str, str, int]]:
    """Each kind with its words and how many of it wait; in the open scope."""
    counted = quarantined().order_by().values("kind").annotate(jobs=Count("id")).values_list("kind", "jobs")
    return sorted(((kind, title_of(kind), jobs) for kind, jobs in counted), key=lambda one: one[1])


def get_quarantined(job_id: UUID) -> Job:
    """NotFound for what is not among it, or no longer."""
    job = quarantined().filter(id=job_id).first()
    if job is None:
        raise NotFound(
            _("This is not among the work that failed. It was tried again or given up in the meantime.")
        )
    return job


def in_words(jobs: Sequence[Job]) -> list[Failed]:
    """Jobs as people read them, in the language of the moment; in the open scope."""
    about = _about(jobs)
    return [Failed(job, title_of(job.kind), about.get(job.id, ""), said_of(job.last_error)) for job in jobs]


def _about(jobs: Sequence[Job]) -> dict[UUID, str]:
    """By job, as far as it is about something that has a name. The apps above know what theirs are about."""
    told: Callable[[Sequence[Job]], Mapping[UUID, str]] = import_string(settings.JOBS_TOLD_BY)
    refs = {job.id: job.ref.partition("/")[0] for job in jobs}
    ids = {ref for ref in refs.values() if is_uuid(ref)}
    names = audit_names(ids)
    names |= {
        str(site.id): _("{name}, {code}", name=site.name, code=site.code)
        for site in Site.objects.filter(id__in=ids)
    }
    works = LongWork.objects.filter(id__in=ids)
    names |= {str(work.id): KINDS[work.kind].about(work) for work in works}
    own = {job_id: names.get(ref, "") for job_id, ref in refs.items()}
    return {**own, **told(jobs)}
