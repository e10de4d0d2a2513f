"""The lookout's reads: every site weighed by rules (``lines``), and the worst of them weighed and ranked by the database."""

from servicing.queries.lookout.hours import CrewDay, PlannedHour, crew_days, planned_hours
from servicing.queries.lookout.lines import OpenAlerts, SiteLine, alert_counts, last_visits, site_lines
from servicing.queries.lookout.ranked import (
    Asked,
    Mark,
    RankedSite,
    Sighting,
    local_days,
    ranked,
    unnoted_alerts,
)

__all__ = [
    "Asked",
    "CrewDay",
    "Mark",
    "OpenAlerts",
    "PlannedHour",
    "RankedSite",
    "Sighting",
    "SiteLine",
    "alert_counts",
    "crew_days",
    "last_visits",
    "local_days",
    "planned_hours",
    "ranked",
    "site_lines",
    "unnoted_alerts",
]
