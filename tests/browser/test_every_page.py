"""Every page of an operator, at a desk and as a phone: axe-core minds nothing, nothing runs off the side, no console complains.

Checked against axe-core's rules (Deque's axe-core, MPL-2.0): WCAG 2.2 A and AA, and its good practices.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.urls import URLPattern, reverse

from accounts import clock
from accounts.permissions import Role
from config import embedded
from config.urls import pages
from servicing.queries.months.sheet import Figure
from tests.api.callers import FAILED_KIND
from tests.browser.walking import fits, heading, minded, sign_in
from tests.browser.whole_world import World, whole_world
from tests.cast import NOON, new_cast

pytestmark = pytest.mark.browser

Needs = Callable[[World], dict[str, Any]]


def code(text: str) -> Needs:
    return lambda _: {"code": text}


# What a page's address needs beside the operator, by the address's name.
NEEDS: dict[str, Needs] = {
    "work-one": lambda w: {"work_id": w.work},
    "import-one": lambda w: {"look_id": w.look},
    "give-up-job": lambda w: {"job_id": w.failed},
    "give-up-kind": lambda _: {"job_kind": FAILED_KIND},
    "call-off-visit": lambda w: {"planned_visit_id": w.plan},
    "move-visit": lambda w: {"planned_visit_id": w.plan},
    "round": lambda w: {"crew_id": w.cast.crew.id, "day": "2026-06-15"},
    "unit": lambda w: {"code": w.cast.units[1].code},
    "move-unit": lambda w: {"code": w.cast.unit.code},
    "open-unit": lambda w: {"code": w.cast.unit.code},
    "withdraw-unit": lambda w: {"code": w.cast.unit.code},
    "correct": lambda w: {"code": w.cast.unit.code, "event_id": w.event},
    "lot": lambda _: {"lot": "L-1"},
    "remove-photo": lambda w: {"photo_id": w.photo},
    "month-sheet-of": lambda _: {"month": "2026-05"},
    "credit": lambda w: {"number": w.invoice},
    "invoice": lambda w: {"number": w.invoice},
    "charge": lambda w: {"charge_id": w.charge},
    "customer-account": code("C1"),
    "record-payment": code("C1"),
    "settle-payment": lambda w: {"code": "C1", "payment_id": w.payment},
    "billing-profile": code("C1"),
    "add-opening-debt": code("C1"),
    "contract": lambda _: {"number": "K-1"},
    "contract-terms": lambda _: {"number": "K-1"},
    "contract-sites": lambda _: {"number": "K-1"},
    "contract-notice": lambda _: {"number": "K-1"},
    "end-contract-site": lambda w: {"number": "K-1", "row_id": w.contract_site},
    "price-item": code("month"),
    "issuer": code("DE"),
    "royalty-statement": lambda _: {"month": "2026-05"},
    "customer": code("C1"),
    "customer-record-links": code("C1"),
    "add-contact": code("S1"),
    "change-contact": lambda w: {"code": "S1", "contact_id": w.contact},
    "add-agreement": code("S1"),
    "follow-agreement": lambda w: {"code": "S1", "agreement_id": w.cast.agreement.id},
    "end-agreement": lambda w: {"code": "S1", "agreement_id": w.cast.agreement.id},
    "end-standstill": lambda w: {"code": "S1", "event_id": w.standstill},
    "crew-set-up": lambda w: {"crew_id": w.cast.crew.id},
    "member": lambda w: {"member_id": w.cast.dispatcher.id},
    "person-named": lambda w: {"person_id": w.person},
    "change-liquid": lambda w: {"liquid_id": w.cast.cartridge.liquid_id},
    "site-room": lambda w: {"code": "S1", "restroom_id": w.restroom},
    "site-station": lambda w: {"code": "S1", "station_id": w.cast.stations[0].id},
    "refund-credit": lambda w: {"number": w.credit_note},
    "payment": lambda w: {"payment_id": w.payment},
    "refund-payment": lambda w: {"payment_id": w.payment},
    "return-payment": lambda w: {"payment_id": w.payment},
    "program": lambda w: {"client_uuid": w.program},
    "new-program-secret": lambda w: {"client_uuid": w.program},
    "webhook": lambda w: {"endpoint_id": w.endpoint},
    "webhook-delivery": lambda w: {"endpoint_id": w.endpoint, "delivery_id": w.delivery},
    "bank-statement": lambda w: {"statement_id": w.statement},
    "bank-entry": lambda w: {"entry_id": w.entry},
    **{
        name: code("S1")
        for name in (
            "begin-standstill",
            "entry-codes",
            "install-unit",
            "record-codes",
            "record-links",
            "site",
            "site-rooms",
            "show-entry",
            "site-set-up",
            "visit",
            "write-note",
        )
    },
}
QUERIES = {"search": "?for=school", "plan-visit": "?site=S1", "new-contract": "?customer=C1"}

# Addresses that answer with a file or a part of a page, and so are none to look at.
NO_PAGES = {
    "audit-file": "a file",
    "document-file": "a file",
    "import-one-left-out": "a file",
    "import-template": "a file",
    "import-template-xlsx": "a file",
    "import-there": "a file",
    "import-there-xlsx": "a file",
    "label-sheet": "a file",
    "month-figure": "walked figure by figure",
    "lookout-changes": "what changed, for the page that asks",
    "photo": "a picture",
    "safety-sheet": "a file",
}


def of_operators() -> list[str]:
    """The names of all pages of an operator, in the order of their addresses."""
    names = [
        str(one.name)
        for one in pages
        if isinstance(one, URLPattern)
        and hasattr(one.callback, "permission")
        and "GET" in getattr(one.callback, "methods", ())
    ]
    return [name for name in dict.fromkeys(names) if name not in NO_PAGES]


def addresses(world: World) -> list[str]:
    """All of them, with what each needs."""
    slug = world.cast.operator.slug
    found = [
        reverse(name, kwargs={"slug": slug, **NEEDS.get(name, lambda _: {})(world)}) + QUERIES.get(name, "")
        for name in of_operators()
    ]
    return found + [f"/{slug}/months/2026-05/{figure}" for figure in Figure]


# Several tests of a share each, so that two processes have something to do.
SHARES = 6
PHONE = {"width": 390, "height": 844}
DESK = {"width": 1280, "height": 900}


@pytest.fixture(scope="module")
def world(database: embedded.Servers) -> World:
    clock.set_to(NOON)
    return whole_world(new_cast("whole"))


def wrong_at(page: Any, address: str, path: str) -> list[str]:
    """What is wrong with a page, first at a desk, then as narrow as a phone."""
    page.set_viewport_size(DESK)
    answer = page.goto(address + path)
    found = [] if answer.status == 200 else [f"answers {answer.status}"]
    found += [] if heading(page).strip() else ["says nothing"]
    for size in (DESK, PHONE):
        page.set_viewport_size(size)
        found += [f"{size['width']} px: {one}" for one in minded(page)]
        found += [] if fits(page) else [f"{size['width']} px: runs off the side"]
    return found


@pytest.mark.parametrize("share", range(SHARES))
def test_axe_minds_nothing_and_nothing_runs_off_the_side(
    page: Any, address: str, world: World, share: int
) -> None:
    sign_in(page, address, world.cast, Role.OWNER)
    paths = addresses(world)[share::SHARES]
    wrong = {path: found for path in paths if (found := wrong_at(page, address, path))}
    assert wrong == {}


def test_what_a_customer_reads_is_as_good(page: Any, address: str, world: World) -> None:
    site = world.cast.site.id
    paths = [
        f"/r/{world.customer_token}",
        f"/r/{world.site_token}",
        f"/r/{world.restroom_token}",
        *(f"/r/{world.site_token}/{site}/{rest}" for rest in ("report", "report?kind=chemical", "2026-05")),
        "/sign-in/",
        "/sign-in/forgotten",
    ]
    wrong = {path: found for path in paths if (found := wrong_at(page, address, path))}
    assert wrong == {}
