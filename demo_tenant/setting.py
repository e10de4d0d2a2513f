"""What every draw of one operator hangs on: its plan, the preset, the span and the seed."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID
from zoneinfo import ZoneInfo

from demo_tenant.operators import OperatorPlan
from demo_tenant.presets import Preset, Span
from demo_tenant.streams import Stream, demo_id


@dataclass(frozen=True, slots=True)
class Setting:
    plan: OperatorPlan
    preset: Preset
    span: Span
    seed: str

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.plan.zone)

    def stream(self, kind: str, index: object) -> Stream:
        return Stream(self.seed, self.plan.slug, kind, index)

    def id(self, kind: str, index: object) -> UUID:
        return demo_id(self.seed, self.plan.slug, kind, index)
