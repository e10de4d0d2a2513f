"""What the office of an operator enters: standstills ahead of time, reports as the phone rings, counter-events, notices."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any
from uuid import UUID

from dateutil.relativedelta import relativedelta

from demo_tenant.masterdata import MasterData, SitePlan
from demo_tenant.places import NOTICE
from demo_tenant.records import Ending, OfficeAction, Record
from demo_tenant.rounds import pauses_of
from demo_tenant.setting import Setting
from demo_tenant.streams import Stream

ANNOUNCED = timedelta(days=28)


@dataclass(slots=True)
class OfficeBook:
    """Collects the office's entries of one operator; each is dropped that would be made after the play's end."""

    setting: Setting
    master: MasterData
    actions: list[OfficeAction] = field(default_factory=list)
    endings: list[Ending] = field(default_factory=list)

    def enter(
        self,
        kind: str,
        subject: tuple[str, UUID],
        at: datetime,
        payload: dict[str, Any],
        *,
        stream: Stream,
        corrects: UUID | None = None,
    ) -> Record | None:
        """Enter one event as the dispatcher; None when the world has ended before."""
        record = Record(
            id=stream.uuid7(at),
            type=kind,
            subject_kind=subject[0],
            subject_id=subject[1],
            occurred_at=at,
            made_at=at,
            payload=payload,
            member_id=next(m.id for m in self.master.members if m.role == "dispatcher"),
            corrects=corrects,
        )
        if at >= self.setting.span.ends_at:
            return None
        self.actions.append(OfficeAction(at, "dispatcher", record))
        return record

    def at(self, day: date, minute: int) -> datetime:
        """An instant of the office's day in its own zone, given in UTC."""
        local = datetime.combine(day, time(8), tzinfo=self.setting.zone) + timedelta(minutes=minute)
        return local.astimezone(self.setting.span.ends_at.tzinfo)

    def file_site(self, site: SitePlan) -> None:
        """The site's standstills and the notice its customer gives, each at its time."""
        first_day = self.setting.span.first_day
        stream = self.setting.stream("office", site.index)
        for pause in pauses_of(site, self.setting):
            day = max(first_day, pause.starts_on - ANNOUNCED)
            payload = {"starts_on": str(pause.starts_on), "ends_on": str(pause.ends_on), "billing": "none"}
            self.enter(
                "standstill.began", ("site", site.id), self.at(day, site.index % 400), payload, stream=stream
            )
        if (ends_on := site.agreement.ends_on) is not None:
            day = max(first_day, ends_on - NOTICE)
            self.endings.append(Ending(self.at(day, 410), site.agreement.id, ends_on))

    def counter(self, wrong: Record, stream: Stream, *, after_close: bool) -> None:
        """Undo an entry some days later, or well into the next month when its own is closed and invoiced."""
        made_on = wrong.made_at.astimezone(self.setting.zone).date()
        later = made_on + timedelta(days=stream.whole(1, 4))
        if after_close:
            later = made_on.replace(day=1) + relativedelta(months=1, day=stream.whole(9, 16))
        self.enter(
            "event.countered",
            (wrong.subject_kind, wrong.subject_id),
            self.at(later, stream.whole(0, 480)),
            {"reason": "wrong_unit"},
            stream=stream,
            corrects=wrong.id,
        )
