"""What makes the world's last days look lived in: planned rounds, photos, notes, contacts, links for customers, data sheets.

None of it is an event: the log, and with it the world's digest, knows nothing of it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from uuid import UUID

from accounts import clock
from accounts.commands import clients, contacts, people
from accounts.commands.operators import change_operator
from accounts.permissions import Actor
from demo_tenant import banking, drawn
from demo_tenant.masterdata import MasterData
from demo_tenant.opening import member_actor, phone_actors
from demo_tenant.records import Record
from demo_tenant.story import Story
from fleet.commands import add_safety_sheet
from servicing.commands import entries, links, photos, planning

PLANNED_DAYS = 8
AHEAD_DAYS = 4
PHOTO_DAYS = 40
MOST_PHOTOS = 24
PHOTOGRAPHED = {"fault.found": 1.0, "leak.stopped": 1.0, "wick.changed": 0.5, "cartridge.exchanged": 0.06}
STAINED = {"fault.found", "leak.stopped"}
CAPTIONS = {
    "fault.found": "a fault was found",
    "leak.stopped": "after the leak was stopped",
    "wick.changed": "with its new wick",
    "cartridge.exchanged": "after the exchange",
}
SATURDAY = 5
# Of which share of the sites a code is kept, and of how many at the most.
CODED, MOST_CODED = 0.3, 12
PROGRAM = "Ledger bridge"
PROGRAM_MAY = (
    "changes:read", "customers:read", "invoices:read", "journal:read", "payments:read", "payments:record", "books:map",
    "integrations:manage",
)  # fmt: skip
NOTES = (
    "The caretaker asks for a call half an hour before.",
    "The lower car park is closed until the spring; park in the yard.",
    "They want both restrooms done before the lunch break.",
)


@dataclass(frozen=True, slots=True)
class PlanDay:
    """The dispatcher plans a day at an instant of the evening before."""

    at: datetime
    day: date


def plan_days(story: Story) -> list[PlanDay]:
    """Every working day of the world's last days, planned at six on the evening before."""
    span = story.setting.span
    days = [span.as_of - timedelta(days=n) for n in range(PLANNED_DAYS, -1, -1)]
    return [
        PlanDay(_local(story, day - timedelta(days=1), time(18)), day)
        for day in days
        if day.weekday() < SATURDAY and day > span.first_day + timedelta(days=1)
    ]


def _local(story: Story, day: date, at: time) -> datetime:
    return datetime.combine(day, at, tzinfo=story.setting.zone).astimezone(story.setting.span.ends_at.tzinfo)


def plan_day(story: Story, day: date) -> None:
    """Plan the visits that the crews will make or try on that day, in their order."""
    found = _arrivals(story, day)
    actor = member_actor(story.master, "dispatcher")
    planning.plan_visits(actor=actor, visits=list(found))


def _arrivals(story: Story, day: date) -> Iterator[dict[str, Any]]:
    zone = story.setting.zone
    first: dict[tuple[int, UUID], Record] = {}
    for upload in story.uploads:
        for _, record in upload.lines:
            made = record.made_at.astimezone(zone)
            site_id = record.payload.get("site_id")
            if record.subject_kind == "visit" and site_id and record.crew is not None and made.date() == day:
                first.setdefault((record.crew, UUID(site_id)), record)
    seen: set[UUID] = set()
    for (crew, site_id), record in sorted(first.items(), key=lambda one: one[1].made_at):
        if site_id not in seen:
            seen.add(site_id)
            minutes = int(record.payload.get("minutes") or 15)
            arrived = record.made_at.astimezone(zone) - timedelta(minutes=minutes)
            yield {
                "site_id": site_id,
                "crew_id": story.master.crews[crew].id,
                "day": day,
                "begins_at": _quarter(arrived.time()),
                "minutes": minutes,
            }


def _quarter(at: time) -> time:
    return time(at.hour, at.minute // 15 * 15)


def show(story: Story) -> None:
    """At the world's end: the coming days are planned, photos have come in, and customers have their links."""
    master = story.master
    dispatcher = member_actor(master, "dispatcher")
    with clock.playing(story.setting.span.ends_at):
        _plan_ahead(story, dispatcher)
        _notes(story, dispatcher)
        _photos(story)
        _links(master, dispatcher)
        _codes(story, dispatcher)
        banking.take_in_statement(story)
        _program(master)


def set_up(story: Story) -> None:
    """On the first day: units of measure, who reads what language, whom to tell of visits, the liquids' sheets."""
    master = story.master
    owner = member_actor(master, "owner")
    if master.country == "US":
        change_operator(
            actor=owner,
            name=master.legal_name,
            legal_name=master.legal_name,
            locale=master.locale,
            measures="us",
        )
    if master.locale == "en-GB" and master.country == "DE":
        # Somebody at the German operator reads German; the others of it read English.
        people.set_own_locale(actor=member_actor(master, "viewer"), locale="de-DE")
    for liquid in master.liquids:
        revision = liquid.sds_revision_on or story.setting.span.first_day
        content = drawn.safety_sheet(name=liquid.name, family=liquid.family, revision=str(revision))
        add_safety_sheet(
            actor=owner, liquid_id=liquid.id, revision_on=revision, language="en", content=content
        )
    for site in master.sites:
        stream = story.setting.stream("contact", site.index)
        if stream.chance(0.5):
            contacts.add_contact(
                actor=owner,
                site_id=site.id,
                name="Facility office",
                email=f"facility-{site.code.lower()}@customers.example",
                wants_announcements=True,
            )


def _plan_ahead(story: Story, dispatcher: Actor) -> None:
    day, planned = story.setting.span.as_of, 0
    while planned < AHEAD_DAYS:
        day += timedelta(days=1)
        if day.weekday() < SATURDAY:
            planned += 1
            for crew in story.master.crews:
                if crew.only_months and day.month not in crew.only_months:
                    continue
                planning.plan_round(actor=dispatcher, crew_id=crew.id, day=day)


def _notes(story: Story, dispatcher: Actor) -> None:
    for number, text in enumerate(NOTES):
        sites = story.master.sites
        planning.write_note(actor=dispatcher, site_id=sites[(number * 3) % len(sites)].id, text=text)


def _photos(story: Story) -> None:
    by_crew = phone_actors(story.master)
    codes = {unit.id: unit.code for unit in story.units}
    since = story.setting.span.ends_at - timedelta(days=PHOTO_DAYS)
    taken: dict[UUID, int] = defaultdict(int)
    for upload in reversed(story.uploads):
        for _, record in upload.lines:
            share = PHOTOGRAPHED.get(record.type, 0.0)
            stream = story.setting.stream("photo", str(record.id))
            if record.made_at < since or taken[upload.device_id] >= MOST_PHOTOS or not stream.chance(share):
                continue
            taken[upload.device_id] += 1
            photos.add_photo(
                actor=by_crew[upload.device_id],
                id=stream.uuid7(record.made_at),
                content=drawn.photo(
                    stream,
                    code=codes[record.subject_id],
                    caption=CAPTIONS[record.type],
                    stained=record.type in STAINED,
                ),
                unit_id=record.subject_id,
                visit_id=record.visit_id,
                touch_id=record.touch_id,
                event_id=record.id,
                taken_at=record.made_at,
            )


def _program(master: MasterData) -> None:
    """The program of the accounts, as the owner let it in; its secrets are made when somebody is told them."""
    clients.make_client(actor=member_actor(master, "owner"), name=PROGRAM, scopes=PROGRAM_MAY)


def _links(master: MasterData, dispatcher: Actor) -> None:
    """The first customer, and the first sites, get a link to their service record."""
    links.make_link(actor=dispatcher, customer_id=master.customers[0].id, label="Facility office")
    for site in master.sites[:2]:
        links.make_link(actor=dispatcher, site_id=site.id, label="At the door of the office")
        links.make_link(actor=dispatcher, restroom_id=site.restrooms[0].id, label="Code on the wall")


def _codes(story: Story, dispatcher: Actor) -> None:
    """A few sites have a key box or an alarm; every code is drawn, and opens nothing."""
    kept = 0
    for site in story.master.sites:
        stream = story.setting.stream("entry code", site.index)
        if stream.chance(CODED) and kept < MOST_CODED:
            kept += 1
            label = stream.pick(("Key box", "Alarm", "Yard gate"))
            code = f"invented {stream.whole(1000, 9999)}"
            entries.set_code(actor=dispatcher, site_id=site.id, label=label, code=code)
