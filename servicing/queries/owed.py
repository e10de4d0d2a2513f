"""What jobs of this app are about, for whoever looks at work that failed."""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

from accounts import phrases
from accounts.jobs import Job
from accounts.languages import _
from servicing.models import Announcement, Notice

ANNOUNCE, SEND_NOTICE = "servicing.tasks.announce", "servicing.tasks.send_notice"


def about(jobs: Sequence[Job]) -> dict[UUID, str]:
    """By job, in the language of the moment; in the open scope."""
    by_ref = {job.ref: job.id for job in jobs if job.kind in {ANNOUNCE, SEND_NOTICE}}
    told = Announcement.objects.filter(id__in=by_ref).select_related("planned_visit__site", "contact")
    found = {
        by_ref[str(one.id)]: _(
            "{contact}, {site}, {day}",
            contact=one.contact.name,
            site=one.planned_visit.site.name,
            day=phrases.day_year(one.day),
        )
        for one in told
    }
    notices = Notice.objects.filter(id__in=by_ref).select_related("member")
    return found | {by_ref[str(one.id)]: one.member.name for one in notices}
