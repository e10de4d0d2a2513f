"""What the operator of a story has on file of its units: where they hang, their cartridges and due days."""

from __future__ import annotations

from bisect import bisect_right
from datetime import datetime, timedelta
from uuid import UUID

from demo_tenant.places import GRACE_BEFORE_DAYS
from demo_tenant.rounds import due_days, pauses_of
from demo_tenant.story import Story
from servicing.queries.rehearsal import Facts, UnitHistory

AHEAD = timedelta(days=100)


class Files:
    """The master data of one story, looked up by what histories name."""

    def __init__(self, story: Story) -> None:
        master, setting = story.master, story.setting
        last = setting.span.as_of + AHEAD
        families = {liquid.id: liquid.family for liquid in master.liquids}
        self._hardness = setting.plan.hardness_mg_per_l
        self._cartridges = {str(one.id): (one, families[one.liquid_id]) for one in master.cartridges}
        self._sites = {
            str(station.id): site
            for site in master.sites
            for station in (*site.stations, *site.spare_stations)
        }
        self._due = {
            site.id: sorted(day.toordinal() for day in due_days(site, pauses_of(site, setting), last))
            for site in master.sites
        }

    def facts(self, unit_id: UUID, history: UnitHistory) -> Facts:
        """Of a unit that was ever installed; its next due day is the first whose window its last exchange was not in."""
        assert history.station_id is not None, "an installed unit has its station"
        assert history.cartridge_id is not None, "an installed unit has its cartridge"
        assert history.installed_at is not None, "an installed unit has its day"
        site = self._sites[history.station_id]
        cartridge, family = self._cartridges[history.cartridge_id]
        served = datetime.fromisoformat(history.last_exchange_at or history.installed_at).date()
        due = self._due[site.id]
        first = bisect_right(due, served.toordinal() + GRACE_BEFORE_DAYS)
        next_on, after_on = (*due[first : first + 2], None, None)[:2]
        return Facts(
            unit_id=str(unit_id),
            cartridge_code=cartridge.code,
            liquid=family,
            nominal_ml_per_day=float(cartridge.nominal_dose_ml_per_day),
            site_kind=site.kind,
            hardness_mg_per_l=self._hardness,
            next_on=next_on,
            after_on=after_on,
        )

    def of_units(self, story: Story) -> dict[UUID, Facts]:
        """Facts of every unit by the station it was first fitted to, without due days."""
        found: dict[UUID, Facts] = {}
        for upload in story.uploads:
            for _, record in upload.lines:
                if record.type == "unit.installed" and record.subject_id not in found:
                    history = UnitHistory(
                        station_id=record.payload["station_id"],
                        cartridge_id=record.payload["cartridge_id"],
                        installed_at=record.occurred_at.isoformat(),
                    )
                    facts = self.facts(record.subject_id, history)
                    found[record.subject_id] = facts._replace(next_on=None, after_on=None)
        return found
