"""Puts one operator's master data together."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

from dateutil.relativedelta import relativedelta

from demo_tenant.masterdata import (
    CartridgePlan,
    CrewPlan,
    LiquidPlan,
    MasterData,
    MemberPlan,
    PricePlan,
    UnitModelPlan,
)
from demo_tenant.places import draw_sites
from demo_tenant.setting import Setting

CARTRIDGE_ML = 280
NOMINAL_DOSE = Decimal(8)
SUMMER = (6, 7, 8, 9)
ACID_CAUTION = (
    "Acid. Never use beside hypochlorite bleach: chlorine gas can form. Wear chemical-resistant gloves and eye "
    "protection. The safety data sheet and the label of the liquid rule."
)
ENZYME_CAUTION = "Wear gloves and eye protection. The safety data sheet and the label of the liquid rule."


def draw_master_data(setting: Setting) -> MasterData:
    """The operator's master data: a pure function of its plan, the preset, the span and the seed."""
    plan, preset, span = setting.plan, setting.preset, setting.span
    regular = max(1, round(plan.crews * preset.crews_scale))
    crews = _crews(setting, regular)
    customers, sites = draw_sites(setting, regular)
    liquids = _liquids(setting, span.first_day)
    return MasterData(
        id=setting.id("operator", 0),
        slug=plan.slug,
        legal_name=plan.legal_name,
        currency=plan.currency,
        zone=plan.zone,
        locale=plan.locale,
        country=plan.country,
        office_device_id=setting.id("device", "office"),
        crews=crews,
        members=_members(setting, crews),
        customers=tuple(customers),
        sites=tuple(sites),
        unit_models=(UnitModelPlan(setting.id("unit-model", 0), "Drip unit 120", 120),),
        liquids=liquids,
        cartridges=_cartridges(setting, liquids),
        prices=_prices(setting, span.first_day),
        site_minimum=plan.site_minimum,
    )


def _crews(setting: Setting, regular: int) -> tuple[CrewPlan, ...]:
    names: list[tuple[str, tuple[int, ...]]] = [(f"Crew {number + 1}", ()) for number in range(regular)]
    if setting.plan.seasonal_crew:
        names.append(("Summer crew", SUMMER))
    return tuple(
        CrewPlan(
            id=setting.id("crew", index),
            name=name,
            device_id=setting.id("device", index),
            device_label=f"Phone of {name}",
            member_id=setting.id("member", f"crew-{index}"),
            only_months=months,
        )
        for index, (name, months) in enumerate(names)
    )


def _members(setting: Setting, crews: tuple[CrewPlan, ...]) -> tuple[MemberPlan, ...]:
    plan = setting.plan
    posts: list[tuple[str, str, str, CrewPlan | None]] = [
        ("owner", "owner", "owner", None),
        ("dispatcher", "dispatcher", "dispatcher", None),
        ("bookkeeper", "bookkeeper", "bookkeeper", None),
        ("viewer", "viewer", "viewer", None),
    ]
    posts += [(f"crew-{i}", "crew_member", f"crew{i + 1}", crew) for i, crew in enumerate(crews)]
    members = tuple(
        MemberPlan(
            id=setting.id("member", key),
            user_id=setting.id("user", key),
            role=role,
            name=plan.people[index],
            email=f"{mailbox}@{plan.slug}.example",
            phone=f"555-01{index:02d}",
            crew_id=crew.id if crew else None,
        )
        for index, (key, role, mailbox, crew) in enumerate(posts)
    )
    return (*members, _network(setting, len(posts)))


def _network(setting: Setting, index: int) -> MemberPlan:
    """Who reads the royalty statements for the franchise's network, and nothing else."""
    return MemberPlan(
        id=setting.id("member", "network"),
        user_id=setting.id("user", "network"),
        role="network",
        name="Franchise network",
        email=f"network@{setting.plan.slug}.example",
        phone=f"555-01{index:02d}",
    )


def _liquids(setting: Setting, first_day: date) -> tuple[LiquidPlan, ...]:
    revised = first_day - timedelta(days=400)
    return (
        LiquidPlan(setting.id("liquid", 0), "Scale loosener C", "acid", revised, ACID_CAUTION),
        LiquidPlan(setting.id("liquid", 1), "Deodoriser E", "enzyme", revised, ENZYME_CAUTION),
    )


def _cartridges(setting: Setting, liquids: tuple[LiquidPlan, ...]) -> tuple[CartridgePlan, ...]:
    return tuple(
        CartridgePlan(
            id=setting.id("cartridge", index),
            code=f"{letter}-{CARTRIDGE_ML}",
            name=f"{liquid.name}, {CARTRIDGE_ML} mL",
            liquid_id=liquid.id,
            volume_ml=CARTRIDGE_ML,
            nominal_dose_ml_per_day=NOMINAL_DOSE,
        )
        for index, (letter, liquid) in enumerate(zip("CE", liquids, strict=True))
    )


def _prices(setting: Setting, first_day: date) -> tuple[PricePlan, ...]:
    """Prices from before the world begins, so that a day of the first month never lacks one."""
    plan = setting.plan
    since = first_day.replace(day=1) - relativedelta(months=1)
    after_takeover = first_day.replace(day=1) + relativedelta(months=2)
    rows: list[tuple[str, str, str, str | None, str | None, Decimal, date]] = [
        ("URINAL", "Unit at a urinal, per month", "unit_month", "urinal", None, plan.urinal_price, since),
        (
            "CLOSET",
            "Unit at a toilet, per month",
            "unit_month",
            "water_closet",
            None,
            plan.closet_price,
            since,
        ),
        ("WICK", "Wick changed", "event", None, "wick.changed", plan.wick_price, since),
        (
            "NO-ENTRY",
            "Visit not admitted",
            "event",
            None,
            "visit.not_admitted",
            plan.not_admitted_price,
            since,
        ),
        # The units taken over in the first weeks hang already: fitting is charged from the third month on.
        ("FITTING", "Unit fitted", "install", None, None, Decimal("0.00"), since),
        ("FITTING", "Unit fitted", "install", None, None, plan.install_price, after_takeover),
        ("FLAT", "Service of the site, per month", "site_month", None, None, plan.site_minimum, since),
        ("EXTRA", "Unit beyond the base, per month", "extra_unit", None, None, plan.closet_price, since),
        ("VISIT", "Visit", "visit", None, None, plan.site_minimum, since),
        ("CALL-OUT", "Call-out", "call_out", None, None, plan.site_minimum, since),
    ]
    return tuple(
        PricePlan(
            setting.id("price-item", code),
            code,
            name,
            basis,
            fixture,
            event,
            amount,
            effective,
        )
        for code, name, basis, fixture, event, amount, effective in rows
    )
