"""Draws the sites of an operator: where they lie, whose they are, what hangs there and until when."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from uuid import UUID

from dateutil.relativedelta import relativedelta

from demo_tenant.masterdata import AgreementPlan, CustomerPlan, RestroomPlan, SitePlan, StationPlan
from demo_tenant.operators import SITE_KINDS, OperatorPlan, SiteKind
from demo_tenant.setting import Setting
from demo_tenant.streams import Stream

KM_PER_DEGREE = 111.32
FIRST_NAMES = (
    "Alder", "Brack", "Cinder", "Dunmarl", "Eelpie", "Fallow", "Gorse", "Harrow", "Ivel", "Juniper", "Kestrel",
    "Larkhill", "Mallow", "Nettle", "Osier", "Pelham", "Quillet", "Reedham", "Sedge", "Teasel", "Umber", "Vetch",
    "Willow", "Yarrow",
)  # fmt: skip
SECOND_NAMES = (
    "Bank", "Bridge", "Corner", "Cross", "Field", "Gate", "Green", "Hill", "Lane", "Mead", "Park", "Quay", "Rise",
    "Row", "Side", "Yard",
)  # fmt: skip
STREETS = (
    "Weir Street",
    "Tollgate Road",
    "Rope Walk",
    "Kiln Lane",
    "Harbour Row",
    "Sluice Way",
    "Granary Street",
)
TERMS_MONTHS = ((12, 0.45), (24, 0.35), (36, 0.20))
RENEWAL = 0.88
SAME_CUSTOMER = 0.18
MOVED_UNITS = 6
BLEACHED_NOUN = "Grill"
GRACE_BEFORE_DAYS = 5
GRACE_AFTER_DAYS = 3
NOTICE = timedelta(days=60)


def site_starts(setting: Setting) -> list[date | None]:
    """The day each site came under agreement in the world; None for those already there when it begins."""
    plan, preset, span = setting.plan, setting.preset, setting.span
    if preset.sites is not None:
        return [None] * preset.sites
    starts: list[date | None] = [None] * max(4, round(plan.sites_at_start * preset.scale))
    stream = setting.stream("growth", 0)
    rate = plan.new_sites_per_month * preset.scale * preset.months / span.days
    day = stream.poisson_gap(rate)
    while day < span.days:
        starts.append(span.first_day + timedelta(days=int(day)))
        day += stream.poisson_gap(rate)
    return starts


def draw_sites(setting: Setting, crews: int) -> tuple[list[CustomerPlan], list[SitePlan]]:
    """Every site the operator ever has in the span, with the customers they belong to."""
    customers: list[CustomerPlan] = []
    sites: list[SitePlan] = []
    starts = site_starts(setting)
    bleached = _bleached(setting, starts)
    for index, start in enumerate(starts):
        stream = setting.stream("site", index)
        place = _place(setting.plan, index, stream)
        if index == bleached:
            place = replace(place, kind="restaurant", full_name=f"{place.name} {BLEACHED_NOUN}")
        if index == 0 or not stream.chance(SAME_CUSTOMER) or sites[-1].kind != place.kind:
            customers.append(_customer(setting, len(customers), place, stream))
        agreement = _agreement(setting, index, start, setting.stream("agreement", index))
        rooms = _rooms(setting, index, place.kind, setting.stream("rooms", index))
        crew = int(place.bearing / (2 * math.pi) * crews) % crews
        site = _site(setting, place, agreement, rooms, customer_id=customers[-1].id, crew=crew)
        sites.append(replace(site, uses_bleach=index == bleached))
    return customers, sites


def _bleached(setting: Setting, starts: list[date | None]) -> int | None:
    """The restaurant whose cleaners use bleach tablets: the first new site of the world's second half, else the first."""
    if not setting.plan.bleach:
        return None
    middle = setting.span.first_day + timedelta(days=setting.span.days // 2)
    return next((n for n, start in enumerate(starts) if start is not None and start >= middle), 0)


@dataclass(frozen=True, slots=True)
class _Place:
    index: int
    kind: str
    town: str
    name: str
    full_name: str
    address: str
    bearing: float
    radius_km: float


@dataclass(frozen=True, slots=True)
class _Rooms:
    restrooms: tuple[RestroomPlan, ...]
    stations: tuple[StationPlan, ...]
    spares: tuple[StationPlan, ...] = ()


def _place(plan: OperatorPlan, index: int, stream: Stream) -> _Place:
    kind, town = stream.weighted(plan.mix), stream.pick(plan.towns)
    if index < len(plan.first_sites):
        kind, town = plan.first_sites[index]
    name = f"{stream.pick(FIRST_NAMES)} {stream.pick(SECOND_NAMES)}"
    address = f"{stream.whole(1, 190)} {stream.pick(STREETS)}, {town}"
    # Each town is a sector of the plane round the depot; the root spreads the sites evenly over its area.
    bearing = 2 * math.pi / len(plan.towns) * (plan.towns.index(town) + stream.draw())
    radius_km = plan.radius_km * math.sqrt(stream.between(0.02, 1.0))
    full_name = f"{name} {stream.pick(SITE_KINDS[kind].nouns)}"
    return _Place(index, kind, town, name, full_name, address, bearing, radius_km)


def _customer(setting: Setting, index: int, place: _Place, stream: Stream) -> CustomerPlan:
    return CustomerPlan(
        id=setting.id("customer", index),
        code=f"{setting.plan.prefix}-C{index + 1:04d}",
        name=place.full_name,
        billing_email=f"accounts@{place.name.lower().replace(' ', '-')}-{index + 1}.example",
        address=f"{stream.whole(1, 190)} {stream.pick(STREETS)}, {place.town}",
        country=setting.plan.country,
    )


def _site(
    setting: Setting, place: _Place, agreement: AgreementPlan, rooms: _Rooms, *, customer_id: UUID, crew: int
) -> SitePlan:
    plan = setting.plan
    north_km = place.radius_km * math.sin(place.bearing)
    east_km = place.radius_km * math.cos(place.bearing)
    latitude, longitude = plan.depot
    return SitePlan(
        index=place.index,
        id=setting.id("site", place.index),
        customer_id=customer_id,
        code=_site_code(plan, place.index),
        name=place.full_name,
        kind=place.kind,
        town=place.town,
        address=place.address,
        latitude=round(latitude + north_km / KM_PER_DEGREE, 5),
        longitude=round(longitude + east_km / (KM_PER_DEGREE * math.cos(math.radians(latitude))), 5),
        bearing=place.bearing,
        zone=plan.zone,
        crew=crew,
        agreement=agreement,
        restrooms=rooms.restrooms,
        stations=rooms.stations,
        spare_stations=rooms.spares,
    )


def _site_code(plan: OperatorPlan, index: int) -> str:
    return f"{plan.prefix}-{index + 1:04d}"


def _agreement(setting: Setting, index: int, start: date | None, stream: Stream) -> AgreementPlan:
    """Terms of 12, 24 or 36 months, renewed with a fixed chance; one not renewed ends the agreement for good."""
    span = setting.span
    months_before, day = stream.whole(1, 24), stream.whole(1, 28)
    anchor = start or (span.first_day - relativedelta(months=months_before)).replace(day=day)
    terms = [(stream.weighted(TERMS_MONTHS), stream.chance(RENEWAL)) for _ in range(8)]
    ends_on = next(_ends(anchor, terms, span.first_day), None)
    return AgreementPlan(
        id=setting.id("agreement", index),
        number=f"{_site_code(setting.plan, index)}-A",
        interval_months=1,
        grace_before_days=GRACE_BEFORE_DAYS,
        grace_after_days=GRACE_AFTER_DAYS,
        anchor_on=anchor,
        starts_on=anchor,
        ends_on=ends_on if ends_on is not None and ends_on <= span.as_of + NOTICE else None,
    )


def _ends(anchor: date, terms: list[tuple[int, bool]], first_day: date) -> Iterator[date]:
    months = 0
    for term_months, renewed in terms:
        months += term_months
        end = anchor + relativedelta(months=months)
        # A site taken over is one whose agreement still runs; two months let it be seen.
        if not renewed and end > first_day + timedelta(days=62):
            yield end


def _rooms(setting: Setting, index: int, kind: str, stream: Stream) -> _Rooms:
    shape, preset = SITE_KINDS[kind], setting.preset
    low, high = shape.occupants
    occupants = low + (high - low) * stream.draw() ** 1.6
    units = max(2, round(occupants / shape.occupants_per_unit * preset.site_size))
    moves = setting.plan.moves_units and index == 0
    units = min(preset.units_at_most, max(units, MOVED_UNITS + 2) if moves else units)
    rooms = [
        RestroomPlan(setting.id("restroom", f"{index}-{room}"), _room_name(room))
        for room in range(math.ceil(units / 5))
    ]
    stations = tuple(
        _station(setting.id("station", f"{index}-{place}"), rooms[place // 5].id, place, shape, stream)
        for place in range(units)
    )
    if not moves:
        return _Rooms(tuple(rooms), stations)
    new = RestroomPlan(setting.id("restroom", f"{index}-new"), "Fourth floor, east")
    spares = tuple(
        StationPlan(setting.id("station", f"{index}-new-{place}"), new.id, old.name, old.fixture)
        for place, old in enumerate(stations[:MOVED_UNITS])
    )
    return _Rooms((*rooms, new), stations, spares)


def _room_name(room: int) -> str:
    floor = ("Ground floor", "First floor", "Second floor", "Third floor")[room // 2 % 4]
    wing = "" if room < 8 else f", wing {room // 8 + 1}"
    return f"{floor}, {('men', 'women')[room % 2]}{wing}"


def _station(station_id: UUID, room_id: UUID, place: int, shape: SiteKind, stream: Stream) -> StationPlan:
    mens = place // 5 % 2 == 0
    fixture = "urinal" if stream.chance(min(0.95, shape.urinal_share * 1.6)) and mens else "water_closet"
    label = "Urinal" if fixture == "urinal" else "Toilet"
    return StationPlan(station_id, room_id, f"{label} {place % 5 + 1}", fixture)
