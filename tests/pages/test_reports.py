"""A report from a site: taken down once, first on the lookout, closed by whoever has been there."""

from __future__ import annotations

from datetime import timedelta
from uuid import uuid4

from accounts.ids import uuid7
from accounts.permissions import Role
from servicing.queries import fleet_state
from tests.cast import NOON, Cast
from tests.pages.visitors import signed_in, text_of


def test_a_report_is_taken_down_once_and_closed(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    site = f"/{north.operator.slug}/sites/S1"
    report = uuid7()
    for _ in range(2):
        visitor.submit(f"{site}/report", report=str(report), kind="leak")
    with north.reading():
        assert [one.kind for one in fleet_state.reports()] == ["leak"]
    assert "1 open report of a leak or a chemical." in text_of(visitor.get(site))
    assert "1 leak or chemical report is open" in text_of(visitor.get(f"/{north.operator.slug}/"))
    visitor.submit(f"{site}/report/{report}/close")
    visitor.submit(f"{site}/report/{report}/close")
    assert "Open reports" not in text_of(visitor.get(site))


def test_a_report_about_a_unit_closes_on_its_site_and_on_the_unit(north: Cast) -> None:
    earlier = NOON - timedelta(hours=1)
    received = north.event("report.received", north.unit, earlier, kind="odour")
    north.upload(north.installed(at=earlier), received)
    visitor = signed_in(north, Role.CREW_MEMBER)
    unit = f"/{north.operator.slug}/units/{north.unit.code}"
    assert "Open report from the site: odour" in text_of(visitor.get(unit))
    visitor.submit(f"/{north.operator.slug}/sites/S1/report/{received['id']}/close")
    assert "Open report from the site" not in text_of(visitor.get(unit))


def test_a_report_of_no_known_kind_is_refused_in_words(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    path = f"/{north.operator.slug}/sites/S1/report"
    answer = visitor.submit(path, report=str(uuid4()), kind="noise")
    assert answer.status_code == 400
    assert "one of odour, leak, empty, damage, chemical" in text_of(answer)
    assert visitor.submit(path, report="x", kind="leak").status_code == 400
    viewer = signed_in(north, Role.VIEWER)
    assert viewer.submit(path, report=str(uuid4()), kind="leak").status_code == 403
