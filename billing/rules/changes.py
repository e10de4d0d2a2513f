"""Which sites' earlier days would be rated otherwise now than by the inputs of the close before."""

from __future__ import annotations

from datetime import date
from typing import Any
from uuid import UUID

from billing.rules.inputs import Inputs, Site


def changed_sites(before: Inputs, now: Inputs, until: date) -> set[UUID]:
    """Sites whose days before ``until`` would be rated otherwise now: terms, pauses, zone or a station changed."""
    changed = {
        site_id
        for site_id, site in before.sites.items()
        if site_id in now.sites and _terms_until(site, until) != _terms_until(now.sites[site_id], until)
    }
    for station_id, station in before.stations.items():
        new = now.stations.get(station_id)
        if new is not None and (new.site_id, new.fixture) != (station.site_id, station.fixture):
            changed |= {station.site_id, new.site_id}
    return changed


def _terms_until(site: Site, until: date) -> tuple[Any, ...]:
    agreements = [
        (a.id, a.starts_on, _clipped(a.ends_before, until)) for a in site.agreements if a.starts_on < until
    ]
    pauses = [
        (p.starts_on, None if p.ends_on is None or p.ends_on >= until else p.ends_on, p.billing)
        for p in site.standstills
        if p.starts_on < until
    ]
    return (site.zone, agreements, pauses)


def _clipped(ends_before: date | None, until: date) -> date | None:
    return None if ends_before is None or ends_before >= until else ends_before
