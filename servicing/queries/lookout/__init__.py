"""The lookout's reads: every site weighed by rules (``lines``), and the worst of them weighed and ranked by the database."""

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
    "Mark",
    "OpenAlerts",
    "RankedSite",
    "Sighting",
    "SiteLine",
    "alert_counts",
    "last_visits",
    "local_days",
    "ranked",
    "site_lines",
    "unnoted_alerts",
]
