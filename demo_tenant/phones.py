"""How records reach the server: phones send in batches, some late, some twice, some shuffled, one offline for days."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from itertools import groupby, product
from uuid import UUID

from demo_tenant.masterdata import CrewPlan, MasterData
from demo_tenant.records import Record, Upload
from demo_tenant.rounds import working_day
from demo_tenant.setting import Setting
from demo_tenant.streams import Stream

LATE, TWICE, SHUFFLED, SPLIT = 0.03, 0.03, 0.05, 0.04
BUSY_DAY = 40
OFFLINE_EVENTS = 140
OFFLINE_WITHIN_DAYS = 40
OFFLINE_BATCH = 50

Line = tuple[int, Record]


def uploads_of(records: list[Record], master: MasterData, setting: Setting) -> list[Upload]:
    """Every upload the server receives before the play ends, in order of arrival."""
    lines = {
        crew.device_id: _numbered(record for record in records if record.crew == index)
        for index, crew in enumerate(master.crews)
    }
    away = _offline(lines, setting) if setting.plan.offline_phone else None
    uploads: list[Upload] = []
    for crew in master.crews:
        uploads += _phone(crew, lines[crew.device_id], setting, away)
    in_time = [upload for upload in uploads if upload.received_at < setting.span.ends_at]
    return sorted(in_time, key=lambda upload: (upload.received_at, str(upload.device_id), upload.lines[0][0]))


def _numbered(records: Iterable[Record]) -> list[Line]:
    ordered = sorted(records, key=lambda record: (record.made_at, str(record.id)))
    return list(enumerate(ordered, start=1))


@dataclass(frozen=True, slots=True)
class _Away:
    """A phone without a network from ``first`` to ``last``."""

    device_id: UUID
    first: date
    last: date


def _offline(lines: dict[UUID, list[Line]], setting: Setting) -> _Away | None:
    """The phone and the two days (three for a small crew), late in the world, on which about 140 events were made."""
    best: tuple[int, _Away] | None = None
    for device_id, made in lines.items():
        on_day = Counter(_day(record, setting) for _, record in made)
        for days, back in product((2, 3), range(4, OFFLINE_WITHIN_DAYS)):
            first = setting.span.as_of - timedelta(days=back)
            count = sum(on_day[first + timedelta(days=n)] for n in range(days))
            distance = abs(count - OFFLINE_EVENTS)
            if best is None or distance < best[0]:
                best = distance, _Away(device_id, first, first + timedelta(days=days - 1))
    return best and best[1]


def _day(record: Record, setting: Setting) -> date:
    return record.made_at.astimezone(setting.zone).date()


def _phone(crew: CrewPlan, lines: list[Line], setting: Setting, away: _Away | None) -> list[Upload]:
    silent: list[Line] = []
    uploads: list[Upload] = []
    for day, group in groupby(lines, key=lambda line: _day(line[1], setting)):
        made = list(group)
        if away and away.device_id == crew.device_id and away.first <= day <= away.last:
            silent += made
            continue
        stream = setting.stream("sync", f"{crew.device_id}|{day}")
        for batch in _batches(made, day, setting, stream):
            uploads += _send(batch, crew.device_id, stream)
    if away and silent:
        uploads += _back_online(silent, away, setting)
    return uploads


def _batches(made: list[Line], day: date, setting: Setting, stream: Stream) -> list[list[Line]]:
    """A day's lines in one batch, a busy day's now and then in two; on the last day one for each visit."""
    if day == setting.span.as_of:
        return [list(group) for _, group in groupby(made, key=lambda line: line[1].visit_id)]
    if len(made) > BUSY_DAY and stream.chance(0.5):
        return [made[: len(made) // 2], made[len(made) // 2 :]]
    return [made]


def _send(batch: list[Line], device_id: UUID, stream: Stream) -> list[Upload]:
    sent_at = batch[-1][1].made_at + timedelta(minutes=stream.whole(2, 35), seconds=stream.whole(0, 59))
    if stream.chance(LATE):
        sent_at += timedelta(hours=stream.between(20, 72))
    if stream.chance(SHUFFLED):
        batch = stream.shuffled(batch)
    uploads = [Upload(_second(sent_at), device_id, tuple(batch))]
    if stream.chance(SPLIT) and len(batch) > 1:
        half = len(batch) // 2
        later = sent_at + timedelta(minutes=stream.whole(20, 300))
        uploads = [
            Upload(_second(sent_at), device_id, tuple(batch[half:])),
            Upload(_second(later), device_id, tuple(batch[:half])),
        ]
    if stream.chance(TWICE):
        again = uploads[0].received_at + timedelta(minutes=stream.whole(1, 120))
        uploads.append(Upload(_second(again), device_id, uploads[0].lines))
    return uploads


def _back_online(silent: list[Line], away: _Away, setting: Setting) -> list[Upload]:
    """All of the silent days at once on the next working morning: out of order, and one batch twice."""
    stream = setting.stream("offline", away.device_id)
    morning = working_day(away.last + timedelta(days=1), 1)
    at = datetime.combine(morning, time(7, 5), tzinfo=setting.zone).astimezone(setting.span.ends_at.tzinfo)
    shuffled = stream.shuffled(silent)
    batches = [shuffled[n : n + OFFLINE_BATCH] for n in range(0, len(shuffled), OFFLINE_BATCH)]
    batches.append(batches[0])
    return [
        Upload(at + timedelta(seconds=20 * number), away.device_id, tuple(batch))
        for number, batch in enumerate(batches)
    ]


def _second(at: datetime) -> datetime:
    return at.replace(microsecond=0)
