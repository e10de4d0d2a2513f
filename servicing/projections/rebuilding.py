"""Make the projections anew from the whole log in shadows of their tables, while everybody goes on working.

No append is missed: an append holds ``PROJECTION_LOCK`` shared from before it reads anything derived until it commits,
and a swap holds it exclusively while it folds what came last, so none is in flight when the names change hands.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.db import Error, connection, connections

from accounts import clock, tenancy
from accounts.errors import Busy, Conflict
from accounts.jobs import DUE_REFRESH
from servicing import log
from servicing.models import Event, UnitState
from servicing.projections import due, shadows, storing
from servicing.projections.folding import PAGE, PROJECTION, fold_page, refold
from servicing.projections.rebuild_begun import (
    Made,
    begun,
    building,
    forget_made,
    forget_version,
    taken_up,
)
from servicing.projections.rebuild_signs import Cancelled, Signs, ask_to_stop, forget_what_was_asked
from servicing.projections.sets import making
from servicing.queries.prepared import PLAN_ONCE
from servicing.rules.unit import UnitHistory

# Held by the owner's session for as long as a rebuild runs.
REBUILD_LOCK = 7_765_320

SUBJECTS_AT_ONCE = 500
# A round of catching up that takes no longer leaves little for the moment in which appends wait.
SHORT_ROUND_SECONDS = 0.02
# An upload waits two seconds at most: a swap that still folds after one lets them pass, and begins again.
MOST_HELD_SECONDS = 1.0
# By how much the clocks of two machines may differ.
CLOCKS_APART = timedelta(minutes=10)

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """What a rebuild did: events folded, rows that differed (one operator's) or the version made live (everybody's).

    ``held_ms``: for how long appends had to wait, of all operators or of the one.
    """

    events: int
    held_ms: float
    version: int | None = None
    rows_changed: int | None = None


def rebuild_all(say: Say = lambda _: None, *, by_sets: bool = True, resume: bool = False) -> Rebuilt:
    """Make every operator's projections anew and swap them in. Readers see the old rows, then the new.

    ``by_sets``: unit states by one statement an operator, else by the same fold as an upload's; both give the same rows.
    ``resume``: go on with one that broke off: what it made of whole operators stays. Needs the owner's connection. Raises
    Conflict while another rebuild runs, when it is cancelled, or when there is nothing to go on with, and Busy when the
    tables can't be had for a moment: then the live tables are as they were.
    """
    with _alone():
        made = taken_up() if resume else begun()
        signs = Signs(made.version, made.started_at, say)
        forget_what_was_asked()
        try:
            rebuilt = _rebuild_all(made, signs, by_sets=by_sets)
        except BaseException as fault:
            _tell_end(signs, fault)
            raise
        signs.ended(None)
    return rebuilt


def _rebuild_all(made: Made, signs: Signs, *, by_sets: bool) -> Rebuilt:
    build = _Build(made.started_at - CLOCKS_APART, by_sets)
    operator_ids = build.operator_ids()
    signs.of = len(operator_ids)
    for operator_id in operator_ids:
        if operator_id not in made.whole:
            build.fill(operator_id, signs.doing)
        signs.done, signs.events = signs.done + 1, build.folded
        signs.doing(f"{signs.done} of {signs.of} operators")
    build.catch_up()
    signs.doing("reading what the planner needs to know")
    shadows.make_ready()
    signs.doing("swapping")
    held_since = shadows.in_short_locks(build.swap, before_each=build.catch_up)
    held_ms = (time.perf_counter() - held_since) * 1_000
    signs.say("swapped")
    _clear_away(signs.say)
    return Rebuilt(build.folded, held_ms, version=made.version)


def _tell_end(signs: Signs, fault: BaseException) -> None:
    """Whatever ended it, the sign says so; without a server nobody reads it either."""
    with suppress(Error):
        signs.ended(fault)
    if isinstance(fault, Cancelled):
        forget_made()


def cancel() -> bool:
    """Stop the rebuild of everything that runs, or clear away what a broken one had made. False when there is neither.

    The live tables are as they were. One that runs stops in a moment; nothing stops it any more once it swaps.
    """
    version = building()
    if version is None:
        return False
    try:
        with _alone():
            forget_made()
    except Conflict:
        ask_to_stop(version[0])
    return True


def rebuild(operator_id: UUID, say: Say = lambda _: None, *, by_sets: bool = True) -> Rebuilt:
    """Make one operator's projections anew beside the live ones, then write the rows that differ, all at once.

    Only that last step holds the operator's lock. Raises Conflict while another rebuild runs.
    """
    with _alone():
        build = _Build(clock.now() - CLOCKS_APART, by_sets, operator_id)
        # What a broken rebuild of everything had made goes: its tables are needed.
        forget_version()
        shadows.create()
        build.fill(operator_id, say)
        shadows.make_ready()
        build.catch_up()
        say("writing what differs")
        changed, held_since = build.replace()
        held_ms = (time.perf_counter() - held_since) * 1_000
        _clear_away(say)
    return Rebuilt(build.folded, held_ms, rows_changed=changed)


def _clear_away(say: Say) -> None:
    try:
        shadows.clear_away()
    except Busy:
        say("the old tables are in use; they stay aside until the next rebuild takes them")


@contextmanager
def _alone() -> Iterator[None]:
    owner = connections[shadows.OWNER]
    if not owner.settings_dict["USER"]:
        raise Conflict(
            "A rebuild connects as the owner of the tables, whose address is not set (DATABASE_MIGRATE_URL)."
        )
    with owner.cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_lock(%s)", [REBUILD_LOCK])
        if not cursor.fetchone()[0]:
            raise Conflict("Another rebuild is running. Nothing was changed; wait until it has ended.")
    try:
        yield
    finally:
        # The lock goes with the session, whatever happened in it.
        owner.close()


_LIVE_SQL = """
UPDATE servicing_projectionversion SET state = 'retired' WHERE state = 'live';
UPDATE servicing_projectionversion SET state = 'live', live_at = %s WHERE state = 'building'
"""


@dataclass(slots=True)
class _Build:
    """One rebuild. ``since``: what was refreshed by jobs, or fitted, after it may be missing; ``honoured``: what is not."""

    since: datetime
    by_sets: bool
    only: UUID | None = None
    honoured: set[UUID] = field(default_factory=set)
    folded: int = 0

    def operator_ids(self) -> list[UUID]:
        with connections[shadows.OWNER].cursor() as cursor:
            # Of the others there is nothing to fold; whoever records a first event meanwhile is caught up with.
            cursor.execute(
                "SELECT id FROM accounts_operator o "
                "WHERE EXISTS (SELECT FROM servicing_event WHERE operator_id = o.id) ORDER BY id"
            )
            return [operator_id for (operator_id,) in cursor.fetchall()]

    def fill(self, operator_id: UUID, say: Say) -> None:
        """Fold an operator's log up to where it ends now, subject by subject."""
        with shadows.filling(operator_id):
            head = log.head_position()
            events = Event.objects.filter(position__lte=head)
            count = events.count()
            pairs = events.order_by("subject_id").values_list("subject_kind", "subject_id").distinct()
            subjects: dict[str, list[UUID]] = {"site": [], "unit": [], "visit": []}
            for kind, subject_id in pairs:
                subjects[kind].append(subject_id)
        say(f"operator {operator_id}: {count} events")
        # Sites first: the due days of their units read the standstills.
        self._refold(operator_id, "site", subjects["site"], say)
        if self.by_sets:
            self._units_by_sets(operator_id, head, subjects["unit"], say)
        else:
            self._refold(operator_id, "unit", subjects["unit"], say)
        self._refold(operator_id, "visit", subjects["visit"], say)
        with shadows.filling(operator_id):
            storing.lock_checkpoint(PROJECTION)
            storing.move_checkpoint(PROJECTION, head)
        self.folded += count

    def _refold(self, operator_id: UUID, kind: str, subject_ids: list[UUID], say: Say) -> None:
        for start in range(0, len(subject_ids), SUBJECTS_AT_ONCE):
            say(f"operator {operator_id}: {kind}s, {start} of {len(subject_ids)}")
            with shadows.filling(operator_id):
                refold(**{f"{kind}_ids": subject_ids[start : start + SUBJECTS_AT_ONCE]})

    def _units_by_sets(self, operator_id: UUID, head: int, unit_ids: list[UUID], say: Say) -> None:
        """The units by one statement, what it leaves by the fold; then their due days, which are reckoned in Python."""
        with shadows.filling(operator_id):
            _, left = making.store_units(head)
        self._refold(operator_id, "unit", sorted(left), say)
        for start in range(0, len(unit_ids), SUBJECTS_AT_ONCE):
            say(f"operator {operator_id}: due days of units, {start} of {len(unit_ids)}")
            with shadows.filling(operator_id):
                states = UnitState.objects.filter(unit_id__in=unit_ids[start : start + SUBJECTS_AT_ONCE])
                due.refresh({state.unit_id: UnitHistory.from_json(state.history) for state in states})

    def catch_up(self) -> None:
        """Fold what came meanwhile, in rounds, until one is short or not much shorter than the one before."""
        before = float("inf")
        while True:
            began = time.perf_counter()
            with self._looking() as cursor:
                behind = self._behind(cursor)
            for operator_id, done in behind.items():
                self._follow(operator_id, done)
            took = time.perf_counter() - began
            if took <= SHORT_ROUND_SECONDS or took > before / 2:
                return
            before = took

    @contextmanager
    def _looking(self) -> Iterator[Any]:
        """A cursor that sees the operators concerned: as the owner all of them, else the one."""
        if self.only is None:
            with connections[shadows.OWNER].cursor() as cursor:
                yield cursor
        else:
            with tenancy.operator_scope(self.only, read_only=True), connection.cursor() as cursor:
                yield cursor

    def _behind(self, cursor: Any) -> dict[UUID, dict[UUID, UUID | None]]:
        """The operators with events to fold, or with due days refreshed or fits made since: those jobs and fits, each
        job with its site.
        """
        cursor.execute(_EVENTS_BEHIND_SQL, [PROJECTION])
        behind: dict[UUID, dict[UUID, UUID | None]] = {
            operator_id: {} for (operator_id,) in cursor.fetchall()
        }
        cursor.execute(_REFRESHED_SQL, [DUE_REFRESH, self.since, self.since])
        for operator_id, done_id, site_id in cursor.fetchall():
            if done_id not in self.honoured:
                behind.setdefault(operator_id, {})[done_id] = UUID(site_id) if site_id else None
        return behind

    def _follow(self, operator_id: UUID, done: dict[UUID, UUID | None], *, lock_timeout_ms: int = 0) -> None:
        count = PAGE
        while count == PAGE:
            # As an upload folds: its statements stay planned.
            with shadows.filling(operator_id, f"SELECT {PLAN_ONCE}", lock_timeout_ms=lock_timeout_ms):
                count = fold_page()
            self.folded += count
        if done:
            with shadows.filling(operator_id, lock_timeout_ms=lock_timeout_ms):
                _refresh(done.values())
            self.honoured |= done.keys()

    def swap(self, cursor: Any) -> float:
        """In the owner's transaction: stop appends, fold the last of them, change the names. Returns since when.

        The shadows are filled over the app's own connection and commit before: nobody reads them until the names change.
        """
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", [log.PROJECTION_LOCK])
        held_since = time.perf_counter()
        for operator_id, done in self._behind(cursor).items():
            if time.perf_counter() - held_since > MOST_HELD_SECONDS:
                raise shadows.TryAgain
            self._follow(operator_id, done, lock_timeout_ms=shadows.LOCK_WAIT_MS)
        shadows.swap(cursor)
        cursor.execute(_LIVE_SQL, [clock.now()])
        return held_since

    def replace(self) -> tuple[int, float]:
        """Under the operator's lock: fold the last events, write what differs. Returns how many rows, and since when."""
        assert self.only is not None, "one operator's rows are replaced, everybody's are swapped"
        with tenancy.operator_scope(self.only, durable=True), connection.cursor() as cursor:
            log.lock_operator(cursor, self.only)
            held_since = time.perf_counter()
            shadows.look_at_shadows()
            while count := fold_page():
                self.folded += count
            _refresh(self._behind(cursor).get(self.only, {}).values())
            return shadows.replace_rows(self.only), held_since


def _refresh(sites: Iterable[UUID | None]) -> None:
    """Make anew what depends on these sites' terms; None stands for new fits, which all outlooks depend on."""
    found = set(sites)
    due.refresh({}, {site_id for site_id in found if site_id is not None})
    if None in found:
        due.refresh_outlooks()


_EVENTS_BEHIND_SQL = f"""
SELECT o.id FROM accounts_operator o
CROSS JOIN LATERAL (SELECT max(position) AS head FROM servicing_event WHERE operator_id = o.id) e
LEFT JOIN {shadows.BUILDING}.servicing_checkpoint c ON c.operator_id = o.id AND c.projection = %s
WHERE e.head > coalesce(c.position, 0)
"""

# The sites by their jobs' ``ref``; a job without one only owes others. Of the fits of one refit one is enough.
_REFRESHED_SQL = """
SELECT j.operator_id, j.id, j.ref FROM accounts_operator o
CROSS JOIN LATERAL (
    SELECT operator_id, id, ref FROM accounts_job
    WHERE operator_id = o.id AND kind = %s AND done_at >= %s AND ref <> ''
    UNION ALL
    SELECT operator_id, id, '' FROM servicing_fit WHERE operator_id = o.id AND kind = 'dose' AND made_at >= %s
) j
"""
