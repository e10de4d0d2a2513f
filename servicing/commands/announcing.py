"""Visits told to the site by mail: one row a contact, visit and day, owed as a job until it is sent or given up."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import time, timedelta
from email.headerregistry import Address
from email.utils import format_datetime, parseaddr
from uuid import UUID

from django.conf import settings
from django.core.mail import EmailMessage

from accounts import clock, jobs, languages, tenancy
from accounts import queries as accounts
from accounts.commands.mailing import GivenUp, NotDelivered, hand_over, refuse_unsent
from accounts.errors import Conflict
from accounts.ids import uuid7
from accounts.jobs import Job
from accounts.languages import Manner, _
from accounts.permissions import Actor, Permission, require
from servicing.commands.links import forget_uses
from servicing.models import Announcement, PlannedVisit
from servicing.queries import links, planning, record
from servicing.rules.announcements import Told, in_one_line, subject_of, text_of

SEND = "servicing.tasks.announce"


def announce_visit(*, actor: Actor, planned_visit_id: UUID) -> list[Announcement]:
    """Owe the mails that tell a site of a planned visit: those not owed before; none twice for a contact and day.

    NotFound for no planned visit; Conflict for one that was called off or lies in the past, and where nobody at the site
    wants to be told.
    """
    require(actor, Permission.VISITS_PLAN)
    with tenancy.writing(actor):
        plan = planning.get_planned_visit(planned_visit_id)
        site = accounts.get_site(plan.site_id)
        if plan.called_off_at is not None or plan.day < clock.today(site.zone):
            raise Conflict(_("This visit lies in the past or was called off, so nobody was told of it."))
        if not accounts.contacts_to_tell([site.id]):
            raise Conflict(
                _("Nobody at {site} wants to be told of visits by mail. Add a contact first.", site=site.name)
            )
        return _owe([plan])


def announce_tomorrow(operator_id: UUID, job_id: UUID) -> bool:
    """As a job: owe the mails of all visits planned for tomorrow, each by its site's own date."""
    return jobs.perform(operator_id, job_id, _tomorrow_effect)


def _tomorrow_effect(actor: Actor, job: Job) -> None:
    # Of the day that it was owed for: after a time without a clock, what was to be told yesterday is told today.
    days = {zone: clock.local_date(job.run_at, zone) + timedelta(days=1) for zone in accounts.site_zones()}
    plans = PlannedVisit.objects.filter(called_off_at=None, day__in=set(days.values()))
    _owe(
        [
            plan
            for plan in plans.select_related("site")
            if days[plan.site.zone] == plan.day and _is_to_come(plan)
        ]
    )
    forget_uses()


def _is_to_come(plan: PlannedVisit) -> bool:
    there = clock.now().astimezone(clock.zone_of(plan.site.zone))
    return (plan.day, plan.begins_at or time.max) > (there.date(), there.time())


def _owe(plans: Collection[PlannedVisit]) -> list[Announcement]:
    """Store what is to be told and owe its jobs, inside an open scope; gives those that are new."""
    contacts = accounts.contacts_to_tell({plan.site_id for plan in plans})
    now = clock.now()
    rows = [
        Announcement(
            id=uuid7(now),
            planned_visit_id=plan.id,
            contact_id=contact.id,
            day=plan.day,
            email=contact.email,
            queued_at=now,
        )
        for plan in plans
        for contact in contacts
        if contact.site_id == plan.site_id
    ]
    Announcement.objects.bulk_create(rows, ignore_conflicts=True, batch_size=1_000)
    stored = set(Announcement.objects.filter(id__in=[row.id for row in rows]).values_list("id", flat=True))
    fresh = [row for row in rows if row.id in stored]
    jobs.enqueue_all(kind=SEND, refs=_refs(fresh))
    return fresh


def _refs(rows: Iterable[Announcement]) -> dict[str, str]:
    return {str(row.id): str(row.id) for row in rows}


def deliver(operator_id: UUID, job_id: UUID) -> bool:
    """Send one mail as a job: row and job in one transaction. A mail that is sent or given up already is let be.

    A crash between sending and commit sends it once more, under the same Message-ID.
    """
    return jobs.perform(operator_id, job_id, _deliver)


def _deliver(actor: Actor, job: Job) -> None:
    told = record.with_visits().filter(id=job.ref, sent_at=None, failure="").first()
    if told is None:
        return
    rows = Announcement.objects.filter(id=told.id)
    operator = accounts.get_operator()
    # In the operator's language, whoever asked for it and whichever worker sends it.
    with languages.speaking(Manner(languages.known_locale(operator.locale), operator.measures)):
        try:
            hand_over(_mail(told, operator.legal_name))
        except GivenUp as why:
            rows.update(failure=str(why))
        except NotDelivered as fault:
            if job.attempts < jobs.MOST_ATTEMPTS:
                raise
            rows.update(
                failure=_("Given up after {attempts} attempts. {fault}", attempts=job.attempts, fault=fault)
            )
        else:
            rows.update(sent_at=clock.now())


def _mail(told: Announcement, operator: str) -> EmailMessage:
    """The mail. GivenUp when the visit is not as it was to be told, or nobody carries mail here."""
    plan, contact = told.planned_visit, told.contact
    if plan.called_off_at is not None or plan.day != told.day:
        raise GivenUp(_("Not sent: the visit was moved or called off in the meantime."))
    if plan.day < clock.today(plan.site.zone):
        raise GivenUp(_("Not sent: the visit's day has passed."))
    if not contact.wants_announcements:
        raise GivenUp(_("Not sent: this contact no longer wants to be told."))
    refuse_unsent()
    link = links.open_site_link(plan.site_id)
    said = Told(
        operator=operator,
        site=plan.site.name,
        address=plan.site.address,
        contact=contact.name,
        day=plan.day,
        begins_at=plan.begins_at,
        link=links.address_of(link) if link else "",
    )
    address = parseaddr(settings.DEFAULT_FROM_EMAIL)[1]
    return EmailMessage(
        subject=subject_of(said),
        body=text_of(said),
        from_email=str(Address(display_name=in_one_line(operator), addr_spec=address)),
        to=[told.email],
        headers={
            "Message-ID": f"<{told.id}@{address.rpartition('@')[2]}>",
            "Date": format_datetime(clock.now()),
            "Auto-Submitted": "auto-generated",  # RFC 3834: no answer by a machine
        },
    )
