"""What every page knows: the operator, the words of the navigation that the role may see, the notice, the time."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.http import HttpRequest

from accounts import clock
from accounts.permissions import Actor, Permission

NAVIGATION = (
    ("Lookout", "lookout", Permission.ALERTS_READ),
    ("Sites", "sites", Permission.SITES_READ),
    ("Units", "units", Permission.UNITS_READ),
    ("Figures", "figures", Permission.FIGURES_READ),
    ("Money", "money", Permission.INVOICES_READ),
    ("Set-up", "set-up", Permission.DEVICES_MANAGE),
)

SECTIONS = {"sites", "units", "figures", "money", "set-up"}


def page(request: HttpRequest) -> dict[str, Any]:
    operator = getattr(request, "operator", None)
    actor: Actor | None = getattr(request, "actor", None)
    return {
        "page": {
            "operator": operator,
            "actor": actor,
            "navigation": [
                {"word": word, "name": name}
                for word, name, permission in NAVIGATION
                if operator is not None and actor is not None and actor.may(permission)
            ],
            "section": _section(request.path),
            "notice": settings.WICKROUND_NOTICE,
            "at": clock.now(),
            "zone": operator.zone if operator else "UTC",
        }
    }


def _section(path: str) -> str:
    """Which word of the navigation a path belongs to: /slug/sites/S1 to Sites, what is under no other to Lookout."""
    words = path.replace("/lots/", "/units/", 1).split("/")
    return words[2] if len(words) > 2 and words[2] in SECTIONS else "lookout"  # noqa: PLR2004
