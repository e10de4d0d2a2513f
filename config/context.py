"""What every page knows: the operator, the words of the navigation that the role may see, the notice, the time."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.http import HttpRequest

from accounts import clock, phrases
from accounts.languages import N_, _, manner
from accounts.permissions import Actor, Permission, home_of

Words = tuple[tuple[str, str, Permission], ...]

NAVIGATION: Words = (
    (N_("Lookout"), "lookout", Permission.ALERTS_READ),
    (N_("Rounds"), "rounds", Permission.SITES_READ),
    (N_("Sites"), "sites", Permission.SITES_READ),
    (N_("Units"), "units", Permission.UNITS_READ),
    (N_("Month sheet"), "month-sheet", Permission.FIGURES_READ),
    (N_("Money"), "money", Permission.INVOICES_READ),
    (N_("Set-up"), "set-up", Permission.DEVICES_MANAGE),
)

# What others find inside Money.
OUTSIDE_MONEY: Words = ((N_("Royalty"), "royalty", Permission.ROYALTY_READ),)

# Pages that have no word of their own, by the word they stand under.
INSIDE = {
    "ahead": "money",
    "figures": "month-sheet",
    "lots": "units",
    "me": "",
    "months": "month-sheet",
    "photos": "units",
    "quarantine": "set-up",
    "royalty": "money",
    "search": "",
}


def page(request: HttpRequest) -> dict[str, Any]:
    operator = getattr(request, "operator", None)
    actor: Actor | None = getattr(request, "actor", None)
    words = NAVIGATION
    if actor is not None and not actor.may(Permission.INVOICES_READ):
        words += OUTSIDE_MONEY
    return {
        "page": {
            "operator": operator,
            "home": home_of(actor.role) if actor else "lookout",
            "actor": actor,
            "navigation": [
                {"word": _(word), "name": name}
                for word, name, permission in words
                if operator is not None and actor is not None and actor.may(permission)
            ],
            "may_search": operator is not None and actor is not None and actor.may(Permission.SITES_READ),
            "section": _section(request.path, words),
            "notice": settings.WICKROUND_NOTICE,
            "look": getattr(request, "look", None),
            "closing": getattr(request, "closing", None),
            "failed": getattr(request, "failed", 0),
            "may_close": actor is not None and actor.may(Permission.OPERATOR_CLOSE),
            "at": clock.now(),
            "zone": operator.zone if operator else "UTC",
            "locale": manner().locale,
            "volume_unit": phrases.volume_unit(),
        }
    }


def _section(path: str, words: Words) -> str:
    """Which word of the navigation a path belongs to: /slug/sites/S1 to Sites, what is under no other to Lookout."""
    names = {name for _, name, _ in words}
    word = [*path.split("/"), "", ""][2]
    return word if word in names else INSIDE.get(word, "lookout")
