"""What a unit needs, in one sentence and a list, and what its page shows of its life: wick, photos, plans."""

from __future__ import annotations

import io
from datetime import timedelta
from typing import Any
from uuid import uuid4

from PIL import Image

from accounts import tenancy
from accounts.models import Operator
from accounts.permissions import Role
from servicing.commands.forecasts import refit
from servicing.commands.photos import add_photo
from servicing.commands.planning import plan_visit
from tests.cast import DAY, NOON, Cast
from tests.pages.visitors import signed_in, text_of


def unit_page(cast: Cast, role: Role = Role.DISPATCHER) -> Any:
    return signed_in(cast, role).get(f"/{cast.operator.slug}/units/{cast.unit.code}")


def jpeg() -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (800, 600), "white").save(out, "JPEG")
    return out.getvalue()


def test_the_first_sentence_says_the_gravest_thing_and_what_to_do(north: Cast) -> None:
    code = north.unit.code
    assert f"Unit {code} hangs nowhere yet: install it at a station." in text_of(unit_page(north))
    north.upload(north.installed(at=NOON - 30 * DAY))
    assert f"Unit {code} was due on Wed 10 Jun and is past grace: visit it now." in text_of(unit_page(north))
    plugged = north.event("fault.found", north.unit, NOON - DAY, mode="PLU", detection="report")
    north.upload(plugged)
    assert f"Unit {code} has not done its work since Sun 14 Jun: go there now." in text_of(unit_page(north))
    north.upload(north.event("report.received", north.unit, NOON - DAY, kind="chemical"))
    assert "A leak or a chemical was reported at unit" in text_of(unit_page(north))
    north.upload(north.event("fault.found", north.unit, NOON - DAY, mode="ELU", detection="report"))
    assert f"Unit {code} was found leaking on Sun 14 Jun: go there first." in text_of(unit_page(north))
    north.upload(north.event("unit.withdrawn", north.unit, NOON, reason="other"))
    assert f"Unit {code} is withdrawn" in text_of(unit_page(north))


def test_a_served_unit_needs_nothing_before_its_visit_and_an_empty_one_an_exchange(north: Cast) -> None:
    north.upload(north.installed(at=NOON - 30 * DAY), north.exchanged(at=NOON - 4 * DAY))
    assert "needs nothing before its visit, due on Fri 10 Jul." in text_of(unit_page(north))
    north.upload(north.installed(north.units[1], NOON - 60 * DAY, station=1))
    page = signed_in(north, Role.VIEWER).get(f"/{north.operator.slug}/units/{north.units[1].code}")
    # 280 mL at 8 mL a day last 35 days from 16 April on.
    assert "has been dry since Thu 21 May: exchange its cartridge now." in text_of(page)


def test_the_next_visit_is_told_what_to_do_and_why(north: Cast) -> None:
    north.upload(
        north.installed(at=NOON - 250 * DAY),
        north.event("fault.found", north.unit, NOON - DAY, mode="LOO", detection="report"),
        north.event("report.received", north.unit, NOON - DAY, kind="odour"),
    )
    body = text_of(unit_page(north))
    for said in (
        "Look into the report: odour. It came on Sun 14 Jun.",
        "Put right: drips too little. Found on Sun 14 Jun.",
        "Exchange the cartridge, and write down what was left. It was filled with 280 mL on",
        # Common practice, no source: every six months where the dust is normal.
        "Wipe out the reservoir. It has been due for cleaning since",
        "Gloves and eye protection.",
    ):
        assert said in body
    assert "Look at the wick" in body or "the wick." in body


def test_a_plan_is_said_on_the_unit_and_the_site(north: Cast) -> None:
    north.upload(north.installed(at=NOON - 30 * DAY))
    assert "No visit is planned; the oldest open due day was Wed 10 Jun." in text_of(unit_page(north))
    plan_visit(actor=north.dispatcher, site_id=north.site.id, day=(NOON + DAY).date())
    assert "Crew A is planned for Tue 16 Jun." in text_of(unit_page(north))
    site = text_of(signed_in(north, Role.VIEWER).get(f"/{north.operator.slug}/sites/S1"))
    assert "Crew A is planned for Tue 16 Jun." in site


def test_the_wicks_own_age_stands_on_the_life_of_its_like(north: Cast) -> None:
    north.upload(north.installed(at=NOON - 300 * DAY))
    refit(actor=north.owner)
    body = text_of(unit_page(north))
    assert "At the age of this wick" in body
    assert "Assumed, not yet your own" in body
    page = unit_page(north).content.decode()
    assert "This one is 10 months old" in page
    assert 'aria-labelledby="wick-title wick-desc"' in page


def test_photos_stand_with_their_entry_their_visit_or_alone_and_only_an_owner_removes_one(
    north: Cast,
) -> None:
    visit, work = uuid4(), NOON - DAY
    exchange = north.exchanged(at=work, visit=visit)
    north.upload(north.installed(at=NOON - 30 * DAY), exchange)
    rows = [{"event_id": exchange["id"], "visit_id": visit}, {"visit_id": visit}, {}]
    photos = [
        add_photo(
            actor=north.crew_phone, id=uuid4(), content=jpeg(), unit_id=north.unit.id, taken_at=work, **row
        )
        for row in rows
    ]
    page = unit_page(north).content.decode()
    assert all(page.count(f"/photos/{one.id}.jpg?small") == 1 for one in photos)
    assert "Other photos" in page
    assert 'alt="Photo of Sun 14 Jun, 14:00"' in page
    assert "Remove the photo" not in page
    assert "Remove the photo" in unit_page(north, Role.OWNER).content.decode()
    owner = signed_in(north, Role.OWNER)
    gone = f"/{north.operator.slug}/photos/{photos[0].id}/remove"
    assert "go for good?" in text_of(owner.get(gone))
    assert owner.submit(gone)["Location"] == f"/{north.operator.slug}/units/{north.unit.code}"
    assert owner.get(gone).status_code == 404
    assert (
        signed_in(north, Role.DISPATCHER).get(gone.replace(str(photos[0].id), str(photos[1].id))).status_code
        == 403
    )


def test_a_photo_is_a_jpeg_for_members_only_and_may_be_kept_by_their_browser(
    north: Cast, south: Cast
) -> None:
    photo = add_photo(
        actor=north.crew_phone, id=uuid4(), content=jpeg(), site_id=north.site.id, taken_at=NOON
    )
    path = f"/{north.operator.slug}/photos/{photo.id}.jpg"
    answer = signed_in(north, Role.VIEWER).get(path)
    assert (answer.status_code, answer["Content-Type"]) == (200, "image/jpeg")
    assert answer["Cache-Control"] == "private, max-age=86400"
    small = signed_in(north, Role.VIEWER).get(path, {"small": ""})
    with Image.open(io.BytesIO(small.content)) as seen:
        assert seen.size == (320, 240)
    rival = signed_in(south, Role.OWNER)
    assert rival.get(path).status_code == 404
    missing = rival.get(f"/{south.operator.slug}/photos/{photo.id}.jpg")
    assert (missing.status_code, "86400" in missing.headers.get("Cache-Control", "")) == (404, False)
    assert (
        f"/photos/{photo.id}.jpg"
        in signed_in(north, Role.VIEWER).get(f"/{north.operator.slug}/sites/S1").content.decode()
    )


def test_a_site_shows_its_empty_stations_access_and_notes(north: Cast) -> None:
    from servicing.commands.planning import write_note

    north.upload(north.installed(at=NOON - timedelta(days=3)))
    write_note(actor=north.dispatcher, site_id=north.site.id, text="Ring at the side door")
    visitor = signed_in(north, Role.DISPATCHER)
    body = text_of(visitor.get(f"/{north.operator.slug}/sites/S1"))
    assert "Ring at the side door" in body
    assert body.count("no unit") == 2
    assert "1 unit hangs here." in body
    assert "Nobody at the site is told of visits." in body
    assert "Strike it" not in text_of(signed_in(north, Role.VIEWER).get(f"/{north.operator.slug}/sites/S1"))


def test_the_pages_speak_german_and_fluid_ounces_to_who_reads_them(north: Cast) -> None:
    with tenancy.writing(north.owner):
        Operator.objects.filter(id=north.operator.id).update(locale="de-DE")
    north.upload(north.installed(at=NOON - 30 * DAY), north.exchanged(at=NOON - 4 * DAY))
    german = unit_page(north)
    assert '<html lang="de-DE">' in german.content.decode()
    body = text_of(german)
    assert f"Gerät {north.unit.code} braucht nichts vor dem Besuch, der am Fr. 10. Juli fällig ist." in body
    assert "40 mL Rest in der Kartusche" in body
    assert "Arrived" not in body
    with tenancy.writing(north.owner):
        Operator.objects.filter(id=north.operator.id).update(locale="en-US", measures="us")
    american = text_of(unit_page(north))
    # NIST Handbook 44, appendix C: 280 mL are 9.47 US fluid ounces, 40 mL are 1.35.
    assert "with 9.5 fl oz put in; 1.4 fl oz left in the cartridge" in american
    # The one mL left is the name that the operator gave its cartridge.
    assert "mL" not in american.replace("280 mL with", "")
