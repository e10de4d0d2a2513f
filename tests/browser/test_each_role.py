"""Each user's main path once, at a desk and as a phone: owner, crew, customer, office, and an operator that has nothing."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from playwright.sync_api import Page

from accounts.permissions import Role
from servicing.commands import planning
from servicing.queries import fleet_state
from tests.browser.walking import arrives_at, fits, heading, install_all, main, says, sign_in
from tests.browser.whole_world import whole_world
from tests.cast import NOON, PASSWORD, Cast
from tests.pages.test_first_run import Newcomer

pytestmark = pytest.mark.browser

BOTH = pytest.mark.parametrize("kind", ["desk", "phone"])


@BOTH
def test_an_owner_sees_whether_the_month_paid_and_what_a_figure_is_made_of(
    window: Any, address: str, north: Cast, kind: str
) -> None:
    whole_world(north)
    page = window(kind)
    sign_in(page, address, north, Role.OWNER)
    page.get_by_role("link", name="Month sheet").click()
    arrives_at(page, "May 2026 brought")
    page.get_by_role("link", name="Due days met in grace").first.click()
    page.wait_for_url("**/months/2026-05/due-days")
    says(page, "What the number is made of")
    assert fits(page)


@BOTH
def test_a_crew_member_sees_the_own_round_and_records_what_was_done(
    window: Any, address: str, north: Cast, kind: str
) -> None:
    install_all(north)
    planning.plan_visit(actor=north.dispatcher, site_id=north.site.id, day=NOON.date(), crew_id=north.crew.id)
    page = window(kind)
    sign_in(page, address, north, Role.CREW_MEMBER)
    page.get_by_role("link", name="Rounds").click()
    arrives_at(page, "Crew A goes to Marl Quay School next")
    page.locator("main .place").get_by_role("link", name="Crew A").click()
    says(page, "Marl Quay School")
    page.get_by_role("link", name="Marl Quay School").first.click()
    page.get_by_role("link", name="Record a visit here").first.click()
    page.get_by_role("button", name="Record the visit").click()
    page.goto(f"{address}/{north.operator.slug}/rounds/")
    says(page, "1 of 1")


@BOTH
def test_a_customer_reads_the_record_and_reports_a_leak(
    window: Any, address: str, north: Cast, kind: str
) -> None:
    world = whole_world(north)
    page = window(kind)
    page.goto(f"{address}/R/{world.restroom_token}")
    arrives_at(page, "The last visit was on")
    assert north.unit.code not in main(page)
    page.get_by_role("link", name="Tell us that something is wrong").click()
    page.get_by_role("link", name="leak", exact=False).or_(
        page.get_by_role("button", name="leak", exact=False)
    ).first.click()
    says(page, "gloves")
    go_on_to_the_form(page)
    page.get_by_role("button", name="Send the report").click()
    page.wait_for_url("**/report/**")
    with north.reading():
        kinds = [report.kind for report in fleet_state.reports()]
    assert kinds.count("leak") == 2
    assert fits(page)


def go_on_to_the_form(page: Page) -> None:
    """Past the safety text, which comes first."""
    if page.get_by_role("button", name="Send the report").count() == 0:
        page.locator("main form button, main a.button").first.click()


@BOTH
def test_the_office_finds_corrects_and_shows_it(window: Any, address: str, north: Cast, kind: str) -> None:
    install_all(north)
    wrong = north.exchanged(at=NOON - timedelta(days=1))
    north.upload(wrong)
    page = window(kind)
    sign_in(page, address, north, Role.DISPATCHER)
    page.locator("#find").fill("marl quay")
    page.keyboard.press("Enter")
    says(page, "Marl Quay School")
    page.locator("#find").fill(north.unit.code.lower())
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/units/{north.unit.code}")
    page.goto(f"{address}/{north.operator.slug}/units/{north.unit.code}/correct/{wrong['id']}")
    arrives_at(page, "Type what should have been written")
    page.get_by_label("left in the cartridge", exact=False).fill("25")
    page.locator("main select[name=because]").select_option("wrong_entry")
    page.get_by_role("button", name="Record the correction").click()
    says(page, "25 mL left in the cartridge")
    assert page.locator(".timeline del").count() >= 1


def test_an_operator_with_nothing_comes_to_its_first_visit(page: Page, address: str, database: Any) -> None:
    """The steps of somebody who types no more than they must; the clock of this machine is not asked."""
    new = Newcomer()
    page.goto(f"{address}/sign-in/")
    page.locator("#email").fill(f"owner@{new.operator.slug}.example")
    page.locator("#password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/{new.operator.slug}/")
    page.locator("main a[href*='set-up/begin']").first.click()
    page.locator("[name=customer]").fill("Quay Schools")
    page.locator("[name=name]").fill("Marl Quay School")
    press_the_step(page)
    page.locator("main [name=urinals]").fill("1")
    press_the_step(page)
    page.locator("[name=liquid]").fill("Scale remover")
    page.locator("[name=model]").fill("Wall unit")
    press_the_step(page)
    press_the_step(page)
    assert new.next() == "install"
    page.goto(f"{address}/{new.operator.slug}/set-up/begin")
    page.get_by_role("link", name="Install the first unit").click()
    arrives_at(page, "Marl Quay School")
    page.locator("main [name=bowl_product]").select_option("none")
    page.locator("main [name=label]").fill(str(page.locator("#waiting option").first.get_attribute("value")))
    page.get_by_role("button", name="Record the installation").click()
    page.wait_for_load_state("load")
    assert new.next() == "visit", page.locator(".error, .refusal").all_inner_texts()
    page.goto(f"{address}/{new.operator.slug}/set-up/begin")
    page.get_by_role("link", name="Record the first visit").click()
    page.get_by_role("button", name="Record the visit").click()
    page.wait_for_url("**/sites/S1*")
    assert new.next() == ""
    page.goto(f"{address}/{new.operator.slug}/")
    assert "S1" not in heading(page)
    assert new.operator.slug in page.title()


def press_the_step(page: Page) -> None:
    """The button of the step that is next."""
    page.locator("main form button").first.click()
    page.wait_for_load_state("load")
