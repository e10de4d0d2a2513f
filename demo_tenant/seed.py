"""Plays the invented world through the public commands only, its clock set to the moment each thing happens."""

from __future__ import annotations

import heapq
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from datetime import time as clock_time
from typing import Any

from dateutil.relativedelta import relativedelta
from django.db import connections

from accounts import clock, jobs, tenancy
from accounts.commands.customers import end_agreement
from accounts.permissions import system_actor
from accounts.queries import operator_ids
from billing.commands.closing import close_month
from config.celery import app
from demo_tenant import showing
from demo_tenant.books import keep_books, state_royalty
from demo_tenant.opening import member_actor, open_operator, opened_at, phone_actors
from demo_tenant.records import Ending, OfficeAction, Upload
from demo_tenant.showing import PlanDay
from demo_tenant.story import Story
from servicing.commands.envelopes import Fate
from servicing.commands.forecasts import refit
from servicing.commands.uploads import fold_pending, load_events

SWEEP = "servicing.tasks.sweep"
SWEEP_SECONDS = 180
CLOSED_ON_THE = 4  # day of the next month on which a month is closed

Say = Callable[[str], None]


class PlayFailed(RuntimeError):
    """The product refused something that the invented world did; the text names the first refusal."""


@dataclass(frozen=True, slots=True)
class Close:
    """A month to be closed at an instant."""

    at: datetime
    month: date


@dataclass(frozen=True, slots=True)
class Played:
    """What one operator's play stored: events accepted, and how many were sent again in vain.

    ``closing_seconds`` of its ``seconds`` went into closing months.
    """

    accepted: int
    duplicates: int
    seconds: float
    closing_seconds: float


def play(story: Story, password: str, say: Say) -> Played:
    """Open the operator and live through its story; ``say`` is told how far it is after each month that is closed.

    Raises PlayFailed when an event is refused: the world only records what the product takes.
    """
    open_operator(story, password)
    with clock.playing(opened_at(story)):
        showing.set_up(story)
    player = _Player(story)
    perform_owed(opened_at(story))
    began, closing = time.monotonic(), 0.0
    ends_at = story.setting.span.ends_at
    for step in _in_order(story):
        with clock.playing(_instant(step)):
            if isinstance(step, Close):
                player.fold()
            step_began = time.monotonic()
            player.take(step)
            if isinstance(step, Close):
                closing += time.monotonic() - step_began
                player.learn()
        if isinstance(step, Close):
            # A session keeps its plans: those made for tables still empty would read them whole for ever.
            connections.close_all()
            say(_progress(story, step, player.accepted, time.monotonic() - began))
    with clock.playing(ends_at):
        player.fold()
        player.learn()
    perform_owed(ends_at)
    showing.show(story)
    return Played(player.accepted, player.duplicates, time.monotonic() - began, closing)


def _progress(story: Story, close: Close, accepted: int, seconds: float) -> str:
    span = story.setting.span
    share = min(1.0, (close.at.date() - span.first_day).days / span.days)
    return (
        f"{story.master.legal_name}: {close.month:%B %Y} closed, {share:.0%} played, "
        f"{accepted:,} events, {accepted / max(seconds, 0.001):,.0f} a second"
    )


def perform_owed(at: datetime) -> None:
    """Perform here and now what the commands of the play left owed, as a worker would have done at that time."""
    app.loader.import_default_modules()
    with clock.playing(at):
        while claimed := jobs.claim_due():
            for job in claimed:
                app.tasks[job.kind].apply(args=[str(job.operator_id), str(job.id)], throw=True)


def sweep_everyone() -> None:
    """Owe each operator a sweep and whatever else is owed, send it to the worker, and wait until it is done.

    Raises PlayFailed when no worker has done it after a minute.
    """
    app.loader.import_default_modules()
    # Among the clock's own slots, which sort by their time: the last one swept is the last one.
    slot = f"{clock.now():%Y-%m-%dT%H:%M:%S}/demo"
    jobs.owe_everyone(kind=SWEEP, slot=slot)
    waiting = {operator_id: system_actor(operator_id) for operator_id in operator_ids()}
    deadline = time.monotonic() + SWEEP_SECONDS
    while waiting:
        app.tasks["accounts.tasks.relay"].apply(throw=True)
        time.sleep(0.1)
        for operator_id, actor in list(waiting.items()):
            with tenancy.reading(actor):
                if jobs.is_done(kind=SWEEP, dedup_key=slot):
                    del waiting[operator_id]
        if waiting and time.monotonic() > deadline:
            raise PlayFailed(
                f"{len(waiting)} operators were not swept within {SWEEP_SECONDS} s; see the worker's log."
            )


def closes(story: Story) -> list[Close]:
    """Every month over on the world's last day, from the first unit's on; each is closed a few days into the next."""
    span = story.setting.span
    found: list[Close] = []
    month = _first_month(story)
    while (following := month + relativedelta(months=1)) <= span.as_of.replace(day=1):
        at = datetime.combine(
            following.replace(day=CLOSED_ON_THE), clock_time(12), tzinfo=span.ends_at.tzinfo
        )
        found.append(Close(min(at, span.ends_at), month))
        month = following
    return found


def _first_month(story: Story) -> date:
    installed = min(
        record.occurred_at
        for upload in story.uploads
        for _, record in upload.lines
        if record.type == "unit.installed"
    )
    return installed.astimezone(story.setting.zone).date().replace(day=1)


def _in_order(story: Story) -> Iterator[Any]:
    """Uploads, office entries, notices, closes and plans by their instant; of equal instants in that order."""
    lists: list[Any] = [story.uploads, story.office, story.endings, closes(story), showing.plan_days(story)]
    streams = [
        [(_instant(step), place, number, step) for number, step in enumerate(steps)]
        for place, steps in enumerate(lists)
    ]
    for *_, step in heapq.merge(*streams, key=lambda entry: entry[:3]):
        yield step


def _instant(step: Any) -> datetime:
    return step.received_at if isinstance(step, Upload) else step.at


class _Player:
    """Takes each step of a story as whoever does it: a phone, the dispatcher, the bookkeeper.

    A past is loaded: what is recorded is folded when somebody would look, before each month is closed and at the end.
    """

    def __init__(self, story: Story) -> None:
        self.story = story
        self.phones = phone_actors(story.master)
        self.dispatcher = member_actor(story.master, "dispatcher")
        self.bookkeeper = member_actor(story.master, "bookkeeper")
        self.accepted = self.duplicates = 0

    def take(self, step: Upload | OfficeAction | Ending | Close | PlanDay) -> None:
        match step:
            case Upload():
                self._count(load_events(actor=self.phones[step.device_id], events=step.events))
            case OfficeAction():
                self._count(load_events(actor=self.dispatcher, events=[step.draft]))
            case Ending():
                end_agreement(actor=self.dispatcher, agreement_id=step.agreement_id, ends_on=step.ends_on)
                self.fold()
                perform_owed(step.at)
            case Close():
                master, setting = self.story.master, self.story.setting
                keep_books(self.bookkeeper, master, setting, step.month)
                close_month(actor=self.bookkeeper, month=step.month, leave_held=True)
                state_royalty(self.bookkeeper, step.month)
            case PlanDay():
                showing.plan_day(self.story, step.day)

    def fold(self) -> None:
        """Fold what has been recorded since, so that whoever looks now sees it."""
        fold_pending(actor=self.dispatcher)

    def learn(self) -> None:
        """Make the fits and outlooks anew, as every night would: once a month here, which is when somebody looks."""
        refit(actor=system_actor(self.story.master.id))

    def _count(self, fates: list[Fate]) -> None:
        for fate in fates:
            if fate.fate == "accepted":
                self.accepted += 1
            elif fate.fate == "duplicate":
                self.duplicates += 1
            else:
                slug = self.story.master.slug
                raise PlayFailed(
                    f"{slug}: event {fate.id} was {fate.fate}: {fate.code} {fate.detail} {fate.errors}"
                )
