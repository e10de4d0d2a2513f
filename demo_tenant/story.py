"""The whole invented world: hidden truth lived through, and only what people recorded of it given out."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, is_dataclass
from datetime import date, datetime
from decimal import Decimal
from hashlib import sha256
from typing import Any
from uuid import UUID

from accounts.ids import new_label_code
from demo_tenant.clocks import with_fast_clock
from demo_tenant.crews import Watch
from demo_tenant.filing import draw_master_data
from demo_tenant.masterdata import MasterData, UnitPlan
from demo_tenant.office import OfficeBook
from demo_tenant.operators import OPERATORS, OperatorPlan
from demo_tenant.phones import uploads_of
from demo_tenant.presets import DEFAULT_SEED, PRESETS, span_of
from demo_tenant.records import Ending, OfficeAction, Record, Upload
from demo_tenant.rounds import SiteRounds
from demo_tenant.setting import Setting
from demo_tenant.site_life import SiteLife, site_arrivals
from demo_tenant.timetable import timetable

SPARE_LABELS = 6


@dataclass(frozen=True, slots=True)
class Story:
    """One operator: what it has on file and what is entered and sent, each list in order of time."""

    setting: Setting
    master: MasterData
    units: tuple[UnitPlan, ...]
    uploads: tuple[Upload, ...]
    office: tuple[OfficeAction, ...]
    endings: tuple[Ending, ...]


def tell(plan: OperatorPlan, preset: str, as_of: date, seed: str = DEFAULT_SEED) -> Story:
    """The operator's story: a pure function of its plan, the preset's name, the last day and the seed."""
    chosen = PRESETS[preset]
    return tell_in(Setting(plan, chosen, span_of(chosen, as_of), seed))


def tell_in(setting: Setting, watch: Watch | None = None) -> Story:
    """The story of a setting, whatever its size; ``watch`` looks on at each touch and changes nothing."""
    plan = setting.plan
    master = draw_master_data(setting)
    office = OfficeBook(setting, master)
    visits = [visit for site in master.sites for visit in SiteRounds(site, setting).plan()]
    arrivals = site_arrivals(timetable(visits, master, setting))
    records: list[Record] = []
    units: list[UnitPlan] = []
    for site in master.sites:
        life = SiteLife(setting, master, site, office, watch)
        life.play(arrivals.get(site.id, []))
        office.file_site(site)
        records += life.records
        units += life.units
    if plan.fast_clock:
        undone = [action.record.corrects for action in office.actions if action.record.corrects]
        records = with_fast_clock(records, undone, setting)
    units += [_spare(setting, master, number) for number in range(SPARE_LABELS)]
    return Story(
        setting=setting,
        master=master,
        units=tuple(units),
        uploads=tuple(uploads_of(records, master, setting)),
        office=tuple(sorted(office.actions, key=lambda action: (action.at, str(action.record.id)))),
        endings=tuple(
            sorted(
                (e for e in office.endings if e.at < setting.span.ends_at),
                key=lambda e: (e.at, str(e.agreement_id)),
            )
        ),
    )


def tell_each(preset: str, as_of: date, seed: str = DEFAULT_SEED) -> Iterator[Story]:
    """Each operator's story in turn, told when it is asked for: the full world need not be held whole."""
    for plan in OPERATORS:
        yield tell(plan, preset, as_of, seed)


def tell_all(preset: str, as_of: date, seed: str = DEFAULT_SEED) -> list[Story]:
    return list(tell_each(preset, as_of, seed))


def _spare(setting: Setting, master: MasterData, number: int) -> UnitPlan:
    """A label printed and not yet hung."""
    code = new_label_code(setting.stream("label", f"spare-{number}").draw)
    return UnitPlan(
        setting.id("unit", f"spare-{number}"), code, master.unit_models[0].id, setting.span.first_day
    )


def digest_of(stories: Iterable[Story]) -> str:
    """SHA-256, in hex, over everything the stories hold; equal for equal seed, preset and last day."""
    whole = sha256()
    for story in stories:
        for part in (story.master, *story.units, *story.endings):
            whole.update(_canonical(part))
        for upload in story.uploads:
            whole.update(_canonical([upload.received_at, upload.device_id, upload.events]))
        for action in story.office:
            whole.update(_canonical([action.at, action.role, action.draft]))
    return whole.hexdigest()


def _canonical(value: Any) -> bytes:
    return json.dumps(value, default=_plain, sort_keys=True, separators=(",", ":")).encode()


def _plain(value: Any) -> Any:
    if is_dataclass(value):
        return {f.name: getattr(value, f.name) for f in fields(value)}
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, UUID | Decimal):
        return str(value)
    raise TypeError(f"{type(value).__name__} has no canonical form.")
