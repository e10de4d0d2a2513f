"""The state of the service as gauges: found once for each reading, never kept in files."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime

from prometheus_client import Metric
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
from prometheus_client.registry import Collector

from config import service
from config.service import State

Families = Iterator[Metric]


class OfState(Collector):
    """``find`` gives the state; the tests give one of their own."""

    def __init__(self, find: Callable[[], State] = service.state) -> None:
        self._find = find

    def collect(self) -> Iterable[Metric]:
        state = self._find()
        yield from _servers(state)
        if state.server is not None:
            yield from _logs(state)
            yield from _jobs(state)
            yield from _parts(state)


def _gauge(
    name: str, said: str, labels: Iterable[str], rows: Iterable[tuple[tuple[str, ...], float]]
) -> Metric:
    family = GaugeMetricFamily(f"wickround_{name}", said, labels=list(labels))
    for values, figure in rows:
        family.add_metric(list(values), figure)
    return family


def _since(state: State, at: datetime | None) -> float:
    return (state.at - at).total_seconds() if at else 0.0


def _servers(state: State) -> Families:
    up = [(("database",), float(state.server is not None)), (("redis",), float(state.queues is not None))]
    yield _gauge("up", "1 while this server answers, else 0.", ["server"], up)
    yield _gauge("state_seconds", "How long it took to find out what stands here.", [], [((), state.seconds)])
    info = [(tuple(service.versions().values()), 1.0)]
    yield _gauge("build_info", "Which version runs; always 1.", service.versions(), info)
    if state.queues is not None:
        waiting = [((name,), float(count)) for name, count in state.queues.waiting.items()]
        yield _gauge("queue_messages", "Messages that wait in Redis for a worker.", ["queue"], waiting)
        yield _gauge(
            "queue_unacknowledged_messages",
            "Messages that workers took and have not acknowledged.",
            [],
            [((), float(state.queues.unacknowledged))],
        )


def _logs(state: State) -> Families:
    assert state.server is not None
    yield CounterMetricFamily(
        "wickround_events_appended",
        "Rows added to the service-event log over all operators, undone ones too, since the server's statistics began.",
        value=state.server.appended,
    )
    positions = {one.slug: one.behind[0].head if one.behind else 0 for one in state.operators}
    yield _gauge(
        "log_position",
        "The position of an operator's last event; the numbers are drawn for all operators together.",
        ["operator"],
        [((slug,), float(head)) for slug, head in positions.items()],
    )
    both = [((found.projection, one.slug), found) for one in state.operators for found in one.behind]
    labels = ("projection", "operator")
    yield _gauge(
        "projection_lag_events",
        "Events in the log that a projection has not yet read.",
        labels,
        [(key, float(found.events)) for key, found in both],
    )
    yield _gauge(
        "projection_lag_seconds",
        "How long the oldest event waits that a projection has not yet read; 0 when there is none.",
        labels,
        [(key, found.seconds) for key, found in both],
    )
    told = [one for one in state.operators if one.untold.endpoints]
    for name, said, figure in (
        (
            "webhook_changes_untold",
            "Changes that an endpoint was not told of yet, counted to 10,000.",
            "changes",
        ),
        ("webhook_deliveries_waiting", "Messages to endpoints that are not delivered yet.", "waiting"),
        ("webhook_oldest_waiting_seconds", "How long the oldest of them waits.", "seconds"),
    ):
        rows = [((one.slug,), float(getattr(one.untold, figure))) for one in told]
        yield _gauge(name, said, ["operator"], rows)


def _jobs(state: State) -> Families:
    yield _gauge(
        "jobs",
        "Jobs that are owed: due now, out with a worker, for later, or quarantined after every attempt failed.",
        ["kind", "state"],
        [
            ((one.kind, name), float(getattr(one, name)))
            for one in state.kinds
            for name in ("due", "out", "later", "quarantined")
        ],
    )
    yield _gauge(
        "jobs_oldest_due_seconds",
        "How long the oldest job of a kind is due and no worker has it; 0 when none is.",
        ["kind"],
        [((one.kind,), _since(state, one.due_since)) for one in state.kinds],
    )
    yield _gauge(
        "operator_jobs",
        "An operator's jobs that are due now, or quarantined.",
        ["operator", "state"],
        [
            ((one.slug, name), float(getattr(one, name)))
            for one in state.operators
            for name in ("due", "quarantined")
        ],
    )
    yield _gauge(
        "operator_oldest_due_seconds",
        "How long an operator's oldest job is due and no worker has it; 0 when none is.",
        ["operator"],
        [((one.slug,), _since(state, one.due_since)) for one in state.operators],
    )


def _parts(state: State) -> Families:
    swept = [one.swept for one in state.operators if one.swept.at is not None]
    yield _gauge(
        "sweep_age_seconds",
        "How long ago an operator was swept last; an operator that never was is not there.",
        ["operator"],
        [((one.slug,), _since(state, one.at)) for one in swept],
    )
    yield _gauge(
        "sweep_delay_seconds",
        "How long after it was due the last sweep of an operator was done.",
        ["operator"],
        [((one.slug,), one.late_seconds or 0.0) for one in swept],
    )
    yield _gauge(
        "heartbeat_age_seconds",
        "How long ago a part of the service last did its work.",
        ["part"],
        [((one.name,), one.age_seconds) for one in state.signs],
    )
    if state.rebuild is not None:
        yield _gauge(
            "rebuild_operators",
            "Of the last rebuild of the derived tables, in which state it is: operators done, and in all.",
            ["state", "of"],
            [
                ((state.rebuild.state, "done"), float(state.rebuild.done)),
                ((state.rebuild.state, "all"), float(state.rebuild.of)),
            ],
        )
    oldest: defaultdict[str, float] = defaultdict(float)
    for one in state.operators:
        for work in one.work:
            oldest[work.kind] = max(oldest[work.kind], _since(state, work.asked_at))
    at_hand = service.work_by_kind(state)
    yield _gauge(
        "long_work",
        "Pieces of long work that have not ended.",
        ["kind"],
        [((kind,), float(number)) for kind, number in sorted(at_hand.items())],
    )
    yield _gauge(
        "long_work_oldest_seconds",
        "How long ago the oldest of them was asked for.",
        ["kind"],
        [((kind,), seconds) for kind, seconds in sorted(oldest.items())],
    )
    assert state.server is not None
    yield _gauge(
        "database_connections",
        "Connections to this database by the role that has them.",
        ["role"],
        [((role,), float(number)) for role, number in sorted(state.server.connections.items())],
    )
    yield _gauge(
        "database_connections_max",
        "How many the server allows, over all its databases.",
        [],
        [((), float(state.server.most_connections))],
    )
