"""A recall on one page: the units that hold a cartridge of a lot, and those that held one."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from django.http import HttpResponse
from django.shortcuts import redirect, render

from accounts import queries as accounts
from accounts import tenancy
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from servicing.queries.fleet_state import UnitView
from servicing.queries.lots import units_with_lot
from servicing.rules.harm import LEAK_MODE

if TYPE_CHECKING:
    from accounts.models import Site


@dataclass(frozen=True, slots=True)
class LotLine:
    view: UnitView
    site: Site | None
    put_in_at: datetime
    zone: str
    holds_it: bool
    leaks: bool


@operator_page(Permission.UNITS_READ)
def lots(request: OperatorRequest) -> HttpResponse:
    """The search field alone; a lot asked for has an address of its own, to be sent on."""
    if lot := request.GET.get("lot", "").strip():
        return redirect("lot", slug=request.operator.slug, lot=lot)
    return render(request, "servicing/lot.html", {"lot": ""})


@operator_page(Permission.UNITS_READ)
def lot(request: OperatorRequest, lot: str) -> HttpResponse:
    with tenancy.reading(request.actor):
        found = units_with_lot(lot)
        sites = accounts.sites_in({one.view.site_id for one in found if one.view.site_id})
    lines = [
        LotLine(
            view=one.view,
            site=(site := sites.get(one.view.site_id) if one.view.site_id else None),
            put_in_at=one.put_in_at,
            zone=site.zone if site else request.operator.zone,
            holds_it=one.holds_it,
            leaks=LEAK_MODE in one.view.history.open_faults,
        )
        for one in found
    ]
    lines.sort(key=lambda line: (not line.holds_it, line.site.name if line.site else "", line.view.code))
    page = {
        "lot": lot,
        "lines": lines,
        "holding": sum(line.holds_it for line in lines),
        "held": sum(not line.holds_it for line in lines),
        "site_count": len({line.site.id for line in lines if line.site and line.holds_it}),
        "leaking": sum(line.leaks for line in lines),
    }
    return render(request, "servicing/lot.html", page)
