"""Crews: another name, the end of their work, and its beginning again."""

from __future__ import annotations

from uuid import UUID

from django.db import IntegrityError

from accounts import clock, jobs, queries, tenancy
from accounts.commands.masterdata import refuse_bad_rows
from accounts.errors import BadInput, Conflict, Problem, pointing_at_one
from accounts.ids import uuid7
from accounts.languages import _
from accounts.models import AccessToken, Crew, Device, Site
from accounts.permissions import Actor, Permission, require


def rename_crew(*, actor: Actor, crew_id: UUID, name: str) -> Crew:
    """Another name, on past days too. Conflict when there is a crew of this name already."""
    require(actor, Permission.CREWS_MANAGE)
    try:
        with tenancy.writing(actor):
            crew = queries.get_crew(crew_id)
            crew.name = name
            with pointing_at_one():
                refuse_bad_rows([crew])
            crew.save(update_fields=["name"])
            return crew
    except IntegrityError as clash:
        taken = _("There is a crew named {name} already. Choose another name.", name=name)
        raise Conflict(taken, errors=[Problem("/name", "taken", taken)]) from clash


def stop_crew(*, actor: Actor, crew_id: UUID, sites_to: UUID | None = None) -> None:
    """A crew that works no longer: its phones are revoked, its sites go to another crew, what it did stays.

    BadInput when it has sites and no other crew at work is named for them.
    """
    require(actor, Permission.CREWS_MANAGE)
    now = clock.now()
    with tenancy.writing(actor):
        crew = queries.get_crew(crew_id)
        sites = list(Site.objects.filter(crew_id=crew_id).values_list("id", flat=True))
        if sites:
            _hand_over(sites, crew_id, sites_to)
        Crew.objects.filter(id=crew.id).update(is_active=False)
        phones = list(Device.objects.filter(crew_id=crew_id, revoked_at=None).values_list("id", flat=True))
        Device.objects.filter(id__in=phones).update(revoked_at=now)
        AccessToken.objects.filter(device_id__in=phones, revoked_at=None).update(revoked_at=now)


def _hand_over(sites: list[UUID], crew_id: UUID, sites_to: UUID | None) -> None:
    heir = queries.get_crew(sites_to) if sites_to else None
    if heir is None or heir.id == crew_id or not heir.is_active:
        missing = _("Choose another crew at work for the sites that this one goes to. Nothing was changed.")
        raise BadInput(missing, errors=[Problem("/sites_to", "missing", missing)])
    Site.objects.filter(id__in=sites).update(crew_id=heir.id)
    mark = uuid7()
    jobs.enqueue_all(kind=jobs.DUE_REFRESH, refs={f"crew/{mark}/{site}": str(site) for site in sites})


def resume_crew(*, actor: Actor, crew_id: UUID) -> None:
    """A crew that stopped is at work again. Its phones are registered anew."""
    require(actor, Permission.CREWS_MANAGE)
    with tenancy.writing(actor):
        queries.get_crew(crew_id)
        Crew.objects.filter(id=crew_id).update(is_active=True)
