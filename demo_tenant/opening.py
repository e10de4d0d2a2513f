"""Opens an invented operator through the public commands: people, crews, phones, customers, sites, units, prices."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, time
from decimal import Decimal
from itertools import islice
from typing import Any, TypeVar
from uuid import UUID

from accounts import clock
from accounts.commands import customers, operators
from accounts.permissions import Actor, ActorKind, Role, system_actor
from billing.commands.prices import NewPriceItem, add_price_items, set_price
from demo_tenant.bargains import draw_bargains
from demo_tenant.books import open_books
from demo_tenant.masterdata import MasterData
from demo_tenant.story import Story
from fleet import commands as fleet

T = TypeVar("T")
# Works and platforms soil a reservoir sooner, offices and surgeries later than others.
DUST = {"clinic": "low", "office": "low", "plant": "high", "transit": "high"}
LABELS_AT_ONCE = 2_000
ACCESS = (
    "Ask at the front desk; they lend a pass for the rooms upstairs.",
    "Side entrance by the yard; somebody opens from seven on.",
    "Sign in with the caretaker, also on leaving.",
    "Open to the public; tell the staff before a restroom is closed for the work.",
)


def open_operator(story: Story, password: str) -> None:
    """Everything the operator has on file, as entered on the morning of the world's first day."""
    master = story.master
    with clock.playing(opened_at(story)):
        operators.create_operator(
            slug=master.slug,
            name=master.legal_name,
            legal_name=master.legal_name,
            currency=master.currency,
            zone=master.zone,
            locale=master.locale,
            id=master.id,
            office_id=master.office_device_id,
        )
        actor = system_actor(master.id)
        _people(actor, master, password)
        _places(actor, story)
        _fleet(actor, story)
        _prices(actor, master)
        open_books(actor, story, draw_bargains(story.setting, master))


def opened_at(story: Story) -> datetime:
    """Early on the world's first day."""
    span = story.setting.span
    return datetime.combine(span.first_day, time(5), tzinfo=span.ends_at.tzinfo)


def member_actor(master: MasterData, role: str) -> Actor:
    """The operator's member of that role, as whoever signs in as them acts."""
    member = next(m for m in master.members if m.role == role)
    return Actor(master.id, ActorKind.MEMBER, Role(member.role), member.id, member.name, member.crew_id)


def phone_actors(master: MasterData) -> dict[UUID, Actor]:
    """Each crew's phone, as its token acts, by its device id."""
    return {
        crew.device_id: Actor(
            master.id, ActorKind.DEVICE, Role.CREW_MEMBER, crew.device_id, crew.device_label, crew.id
        )
        for crew in master.crews
    }


def _people(actor: Actor, master: MasterData, password: str) -> None:
    for crew in master.crews:
        operators.add_crew(actor=actor, name=crew.name, id=crew.id)
        operators.register_device(actor=actor, crew_id=crew.id, label=crew.device_label, id=crew.device_id)
    for member in master.members:
        operators.create_user(email=member.email, name=member.name, password=password, id=member.user_id)
        operators.add_member(
            actor=actor,
            user_id=member.user_id,
            role=Role(member.role),
            name=member.name,
            crew_id=member.crew_id,
            id=member.id,
        )


def _places(actor: Actor, story: Story) -> None:
    master = story.master
    customers.add_customers(
        actor=actor, customers=[_customer(master, n) for n in range(len(master.customers))]
    )
    customers.add_sites(actor=actor, sites=[_site(story, n) for n in range(len(master.sites))])
    customers.add_agreements(
        actor=actor, agreements=[_agreement(master, n) for n in range(len(master.sites))]
    )
    restrooms = [
        {"id": room.id, "site_id": site.id, "name": room.name}
        for site in master.sites
        for room in site.restrooms
    ]
    stations = [
        {
            "id": station.id,
            "restroom_id": station.restroom_id,
            "name": station.name,
            "fixture": station.fixture,
        }
        for site in master.sites
        for station in (*site.stations, *site.spare_stations)
    ]
    fleet.add_restrooms(actor=actor, restrooms=restrooms)
    fleet.add_stations(actor=actor, stations=stations)


def _customer(master: MasterData, number: int) -> dict[str, Any]:
    plan = master.customers[number]
    return {
        "id": plan.id,
        "code": plan.code,
        "name": plan.name,
        "billing_email": plan.billing_email,
        "address": plan.address,
        "country": plan.country,
    }


def _site(story: Story, number: int) -> dict[str, Any]:
    master = story.master
    plan = master.sites[number]
    return {
        "id": plan.id,
        "customer_id": plan.customer_id,
        "code": plan.code,
        "name": plan.name,
        "kind": plan.kind,
        "address": plan.address,
        "area": plan.town,
        "latitude": Decimal(str(plan.latitude)),
        "longitude": Decimal(str(plan.longitude)),
        "zone": plan.zone,
        "crew_id": master.crews[plan.crew].id,
        "hardness_mg_per_l": story.setting.plan.hardness_mg_per_l,
        "dust": DUST.get(plan.kind, "normal"),
        "access": story.setting.stream("access", plan.index).pick(ACCESS),
    }


def _agreement(master: MasterData, number: int) -> dict[str, Any]:
    """As first agreed: its end is not known yet, notice comes in its own time."""
    site = master.sites[number]
    plan = site.agreement
    return {
        "id": plan.id,
        "site_id": site.id,
        "number": plan.number,
        "interval_months": plan.interval_months,
        "grace_before_days": plan.grace_before_days,
        "grace_after_days": plan.grace_after_days,
        "anchor_on": plan.anchor_on,
        "starts_on": plan.starts_on,
    }


def _fleet(actor: Actor, story: Story) -> None:
    master = story.master
    for model in master.unit_models:
        fleet.add_unit_model(actor=actor, name=model.name, reservoir_ml=model.reservoir_ml, id=model.id)
    for liquid in master.liquids:
        fleet.add_liquid(
            actor=actor,
            name=liquid.name,
            family=liquid.family,
            caution=liquid.caution,
            sds_revision_on=liquid.sds_revision_on,
            id=liquid.id,
        )
    for cartridge in master.cartridges:
        fleet.add_cartridge(
            actor=actor,
            code=cartridge.code,
            name=cartridge.name,
            liquid_id=cartridge.liquid_id,
            volume_ml=cartridge.volume_ml,
            nominal_dose_ml_per_day=cartridge.nominal_dose_ml_per_day,
            id=cartridge.id,
        )
    for units in _chunks(story.units, LABELS_AT_ONCE):
        fleet.print_labels(
            actor=actor,
            unit_model_id=master.unit_models[0].id,
            codes=[unit.code for unit in units],
            ids=[unit.id for unit in units],
        )


def _prices(actor: Actor, master: MasterData) -> None:
    """Each item with its first price; a later price of the same item follows by itself."""
    first = {plan.code: plan for plan in sorted(master.prices, key=lambda p: p.effective_from, reverse=True)}
    items = [
        NewPriceItem(
            code=plan.code,
            name=plan.name,
            basis=plan.basis,
            amount=plan.amount,
            effective_from=plan.effective_from,
            fixture=plan.fixture or "",
            event_type=plan.event_type or "",
            id=plan.id,
        )
        for plan in master.prices
        if plan is first[plan.code]
    ]
    add_price_items(actor=actor, items=items)
    for plan in master.prices:
        if plan is not first[plan.code]:
            set_price(
                actor=actor,
                item_code=plan.code,
                amount=plan.amount,
                effective_from=plan.effective_from,
            )


def _chunks(rows: Sequence[T], size: int) -> Iterator[list[T]]:
    left = iter(rows)
    while chunk := list(islice(left, size)):
        yield chunk
