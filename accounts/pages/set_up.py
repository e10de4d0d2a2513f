"""What stands in the set-up, and what is missing."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpResponse
from django.shortcuts import render

from accounts import clock, queries, tenancy
from accounts.pages.door import OperatorRequest, operator_page
from accounts.permissions import Permission

MOST_NAMED = 12


@operator_page(Permission.DEVICES_MANAGE)
def set_up(request: OperatorRequest, still_to_do: Callable[[], int]) -> HttpResponse:
    """``still_to_do`` says how many first steps are left; the apps above know them."""
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        bare = queries.sites_without_agreement(today)
        page = {
            **queries.counts(),
            "bare": bare.count(),
            "bare_sites": list(bare[:MOST_NAMED]),
            "steps_left": still_to_do(),
            "may_erase_texts": request.actor.may(Permission.TEXTS_ERASE),
            "looking": list(queries.live_grants()),
            "may_grant_support": request.actor.may(Permission.SUPPORT_GRANT),
            "may_manage_members": request.actor.may(Permission.MEMBERS_MANAGE),
        }
    return render(request, "accounts/set_up.html", page)
