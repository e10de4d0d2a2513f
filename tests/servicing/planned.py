"""What the tests of planning have in common: more sites, arrivals, and a plan."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any
from uuid import uuid4

from accounts.commands import customers
from servicing.commands import planning
from servicing.models import PlannedVisit
from tests.cast import NOON, Cast

TODAY = NOON.date()
TOMORROW = TODAY + timedelta(days=1)


def add_site(cast: Cast, code: str, **more: Any) -> Any:
    site = {"customer_id": cast.customer.id, "code": code, "name": f"Site {code}", "kind": "office"}
    rest = {"zone": "Europe/Berlin", "crew_id": cast.crew.id, **more}
    return customers.add_sites(actor=cast.owner, sites=[{**site, **rest}])[0]


def arrive(
    cast: Cast, site: Any, outcome: str = "served", minutes: int | None = None, at: Any = NOON
) -> None:
    kind = "visit.not_admitted" if outcome == "not_admitted" else "visit.made"
    said: dict[str, Any] = {"reason": "closed"} if outcome == "not_admitted" else {"outcome": outcome}
    said |= {"minutes": minutes} if minutes is not None else {}
    fates = cast.upload(cast.event(kind, uuid4(), at, site_id=site.id, crew_id=cast.crew.id, **said))
    assert [one.fate for one in fates] == ["accepted"]


def plan(cast: Cast, site: Any = None, day: date = TOMORROW, **more: Any) -> PlannedVisit:
    return planning.plan_visit(actor=cast.dispatcher, site_id=(site or cast.site).id, day=day, **more)
