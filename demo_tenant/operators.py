"""The three invented operators. Every name, price and rate is made up; nothing here is a field rate."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal


@dataclass(frozen=True, slots=True)
class SiteKind:
    """Occupants (least, most), how many of them a unit serves, urinals among the units, and how rough the place is."""

    occupants: tuple[int, int]
    occupants_per_unit: float
    urinal_share: float
    damage_factor: float
    nouns: tuple[str, ...]


SITE_KINDS = {
    "office": SiteKind((60, 400), 34, 0.45, 1, ("Office", "House", "Business Centre")),
    "school": SiteKind((250, 900), 50, 0.5, 4, ("School", "Grammar School", "Lower School")),
    "restaurant": SiteKind((60, 260), 54, 0.5, 1.5, ("Kitchen", "Grill", "Tavern")),
    "plant": SiteKind((120, 900), 55, 0.6, 1, ("Works", "Mill", "Plant")),
    "retail": SiteKind((150, 2500), 250, 0.45, 1, ("Market Hall", "Stores", "Arcade")),
    "arena": SiteKind((1500, 5000), 140, 0.65, 3, ("Arena", "Stadium", "Ice Rink")),
    "transit": SiteKind((800, 4000), 330, 0.6, 5, ("Station", "Bus Terminal", "Ferry Hall")),
    "clinic": SiteKind((50, 220), 26, 0.35, 1, ("Clinic", "Health Centre", "Surgery")),
    "hotel": SiteKind((80, 300), 50, 0.45, 1, ("Hotel", "Inn", "Guest House")),
    "beach": SiteKind((300, 1200), 90, 0.55, 3, ("Beach House", "Lido", "Pier Pavilion")),
}


@dataclass(frozen=True, slots=True)
class OperatorPlan:
    """One operator's parameters; distances in km, lives in months, rates a unit-month, money in its currency."""

    slug: str
    prefix: str
    legal_name: str
    currency: str
    zone: str
    locale: str
    country: str
    depot: tuple[float, float]
    towns: tuple[str, ...]
    sites_at_start: float
    new_sites_per_month: float
    crews: int
    seasonal_crew: bool
    radius_km: float
    hardness_mg_per_l: int
    wick_shape: float
    wick_scale_months: float
    plugged_per_month: float
    mix: tuple[tuple[str, float], ...]
    urinal_price: Decimal
    closet_price: Decimal
    site_minimum: Decimal
    wick_price: Decimal
    not_admitted_price: Decimal
    install_price: Decimal
    first_sites: tuple[tuple[str, str], ...]
    people: tuple[str, ...]
    moves_units: bool = False
    snow: bool = False
    vandals_in: str | None = None
    bad_lot_in: str | None = None
    offline_phone: bool = False
    fast_clock: bool = False
    bleach: bool = False


# Depots lie out at sea on purpose: the places are invented and must not fall on a real one.
OSTREL = OperatorPlan(
    slug="ostrel-fen",
    prefix="OF",
    legal_name="Ostrel Fen Fixture Care",
    currency="EUR",
    zone="Europe/Berlin",
    locale="en-GB",
    country="DE",
    depot=(55.1, 6.2),
    towns=("Ostrel", "Nether Pell", "Caddrum"),
    sites_at_start=230,
    new_sites_per_month=1.5,
    crews=2,
    seasonal_crew=False,
    radius_km=28,
    hardness_mg_per_l=110,
    wick_shape=3.2,
    wick_scale_months=19.0,
    plugged_per_month=0.006,
    mix=(
        ("office", 0.30), ("school", 0.12), ("restaurant", 0.20), ("plant", 0.10),
        ("retail", 0.13), ("clinic", 0.10), ("transit", 0.03), ("arena", 0.02),
    ),
    urinal_price=Decimal("13.50"),
    closet_price=Decimal("11.00"),
    site_minimum=Decimal("38.00"),
    wick_price=Decimal("6.50"),
    not_admitted_price=Decimal("9.00"),
    install_price=Decimal("24.00"),
    first_sites=(("office", "Ostrel"), ("transit", "Caddrum"), ("school", "Nether Pell")),
    people=("Maren Holt", "Jost Abeling", "Ilka Brandis", "Piet Lorcan", "Runa Dehm", "Tord Vasko", "Ena Quist"),
    moves_units=True,
    snow=True,
    vandals_in="Caddrum",
    fast_clock=True,
)  # fmt: skip

SALTMERE = OperatorPlan(
    slug="saltmere-coast",
    prefix="SC",
    legal_name="Saltmere Coast Fixture Care",
    currency="GBP",
    zone="Europe/London",
    locale="en-GB",
    country="GB",
    depot=(49.9, -3.4),
    towns=("Saltmere", "Marl Quay", "Gannoth"),
    sites_at_start=150,
    new_sites_per_month=1.0,
    crews=1,
    seasonal_crew=True,
    radius_km=22,
    hardness_mg_per_l=45,
    wick_shape=3.2,
    wick_scale_months=22.0,
    plugged_per_month=0.004,
    mix=(
        ("restaurant", 0.40), ("hotel", 0.24), ("retail", 0.12), ("office", 0.10),
        ("school", 0.06), ("transit", 0.04), ("beach", 0.04),
    ),
    urinal_price=Decimal("14.50"),
    closet_price=Decimal("12.00"),
    site_minimum=Decimal("42.00"),
    wick_price=Decimal("7.00"),
    not_admitted_price=Decimal("9.50"),
    install_price=Decimal("26.00"),
    first_sites=(("restaurant", "Saltmere"), ("beach", "Marl Quay"), ("hotel", "Gannoth")),
    people=("Orla Penhale", "Davin Stroud", "Nessa Wick", "Bram Tolley", "Ivy Marrack", "Gwil Sarn", "Tess Odgers"),
    bleach=True,
)  # fmt: skip

QUARROW = OperatorPlan(
    slug="quarrow-basin",
    prefix="QB",
    legal_name="Quarrow Basin Fixture Care",
    currency="USD",
    zone="America/Denver",
    locale="en-US",
    country="US",
    depot=(35.2, -130.4),
    towns=("Quarrow", "Hask", "Tamberly", "Lodestone Cross"),
    sites_at_start=560,
    new_sites_per_month=4.0,
    crews=5,
    seasonal_crew=False,
    radius_km=40,
    hardness_mg_per_l=240,
    wick_shape=3.2,
    wick_scale_months=15.5,
    plugged_per_month=0.012,
    mix=(
        ("office", 0.24), ("school", 0.22), ("plant", 0.18), ("restaurant", 0.16),
        ("retail", 0.10), ("clinic", 0.06), ("arena", 0.02), ("transit", 0.02),
    ),
    urinal_price=Decimal("12.00"),
    closet_price=Decimal("9.50"),
    site_minimum=Decimal("32.00"),
    wick_price=Decimal("5.50"),
    not_admitted_price=Decimal("8.00"),
    install_price=Decimal("22.00"),
    first_sites=(("plant", "Quarrow"), ("school", "Tamberly"), ("office", "Hask")),
    people=(
        "Dale Amory", "Corin Webb", "Lupe Tarn", "Hollis Grane", "Merit Oakes",
        "Sabine Roe", "Tate Brannock", "Wynn Calloway", "Joss Pruett", "Rae Kestler",
    ),
    bad_lot_in="Hask",
    offline_phone=True,
)  # fmt: skip

OPERATORS = (OSTREL, SALTMERE, QUARROW)
