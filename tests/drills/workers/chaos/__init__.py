"""Everything of the product is ended by SIGKILL, a part each second or so, while phones upload, payments come in and a month is
closed: what was acknowledged stands once, what follows from it was done once, and soon after the last fault nothing is owed.

SIGKILL leaves the machine's page cache as it is: a power cut, a disk that lies and a network that splits are not tried here.
"""

from __future__ import annotations

import logging
import os
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tests.billing.receivers import Authority, Receiver, receiving

if TYPE_CHECKING:
    from tests.drills.workers.chaos.parts import Machine
    from tests.drills.workers.chaos.rounds import Came

SEED = 20_271
LEASE_SECONDS = 15
MOST_DRAIN_SECONDS = LEASE_SECONDS + 60
MOST_LAG_SECONDS = 180
HOST = "127.0.0.1"
# Rounds, then of each: faults, acknowledged events, seconds of storm at most.
SHORT, FULL = (1, 26, 200, 60), (12, 88, 8_500, 240)
TARGET = (
    "0 lost, unknown, doubled or altered events, payments, charges, lines, messages or alerts; derived as the log says; "
    f"0 undone {MOST_DRAIN_SECONDS} s after the last fault, 0 put aside; 99 % of jobs done within {MOST_LAG_SECONDS} s"
)


def run(_: Any, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: 12 seeds with 1,000 faults and 100,000 acknowledged events together; else one seed and 25 faults."""
    rounds, *least = FULL if full else SHORT
    # To try what lies between: rounds, faults, events and seconds.
    if chosen := os.environ.get("WICKROUND_CHAOS_SIZE"):
        rounds, *least = map(int, chosen.split(","))
    seeds = [SEED + number for number in range(rounds)]
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="wickround-")))
        authority = Authority(folder)
        receiver = stack.enter_context(receiving(authority.context(HOST)))
        env = {
            "WICKROUND_LEASE_SECONDS": str(LEASE_SECONDS),
            "WICKROUND_LOG_LEVEL": "WARNING",
            "WICKROUND_WEBHOOK_TRUST": str(authority.file),
            "WICKROUND_WEBHOOK_ALLOW": f"{HOST}:{receiver.port}",
        }
        machine = _started(folder, stack, env)
        came = list(_played(machine, receiver, folder, seeds, least))
    figures = _figures(came)
    yield {
        "name": "workers.chaos",
        "figures": figures,
        "target": TARGET,
        "ok": _holds(figures, rounds, least),
        "seed": seeds,
    }


def _started(folder: Path, stack: ExitStack, env: Mapping[str, str]) -> Machine:
    """Servers, the schema, and all of the product; this process is set up as its processes are."""
    from tests.drills.workers.chaos.parts import Machine

    _say("starting the servers")
    machine = Machine(folder)
    stack.callback(machine.stop)
    machine.start_servers()
    os.environ.update({**machine.servers.environment(), **env, "DJANGO_SETTINGS_MODULE": "config.settings"})
    import django
    from django.core.management import call_command

    django.setup()
    from tests.integration import serving

    os.environ.update(serving.environment(machine.servers))
    serving.as_in_the_tests()
    _say("making the schema")
    call_command("migrate", database="migrate", verbosity=0)
    machine.start_product()
    # Of what is refused on purpose, and of what the storm does to this process's own connections.
    logging.disable(logging.WARNING)
    return machine


def _played(
    machine: Machine, receiver: Receiver, folder: Path, seeds: Sequence[int], least: Sequence[int]
) -> Iterator[Came]:
    from tests.drills.workers.chaos.judging import WRONG
    from tests.drills.workers.chaos.rounds import Size, play

    for seed in seeds:
        _say(f"seed {seed}: a storm over all parts")
        came = play(machine, receiver, folder, seed, Size(*least))
        wrong = {name: came.judged[name] for name in WRONG if came.judged[name]}
        drained = "never" if came.drained is None else f"{came.drained:.1f} s"
        _say(
            f"seed {seed}: {came.faults.total()} faults in {came.storm_seconds:.0f} s, {came.judged['events']} events, "
            f"drained after {drained}, wrong: {wrong or 'nothing'}, put aside: {came.put_aside or 'nothing'}, refused: {came.refused or 'nothing'}"
        )
        yield came


def _figures(came: Sequence[Came]) -> dict[str, Any]:
    faults = sum((one.faults for one in came), Counter())
    judged: Counter[str] = Counter()
    for one in came:
        judged.update(one.judged)
    lags = sorted(lag for one in came for lag in one.lags)
    drains = [one.drained for one in came]
    return {
        "faults": faults.total(),
        "faults_of": dict(faults.most_common()),
        **judged,
        "unanswered": sum(one.unanswered for one in came),
        "duplicates_absorbed": sum(one.absorbed for one in came),
        "jobs_done": len(lags),
        "lag_seconds": {f"p{share}": _percentile(lags, share) for share in (50, 95, 99, 100)},
        "drained_seconds": None
        if None in drains
        else round(max(one for one in drains if one is not None), 1),
        "undone": sum(one.undone for one in came),
        "refused": sum(len(one.refused) for one in came),
        "still_waiting": sum(one.still_waiting for one in came),
        "put_aside": sum(len(one.put_aside) for one in came),
        "storm_seconds": round(sum(one.storm_seconds for one in came)),
    }


def _percentile(values: Sequence[float], share: int) -> float | None:
    """By the nearest rank."""
    return round(values[max(0, -(-len(values) * share // 100) - 1)], 2) if values else None


def _holds(figures: Mapping[str, Any], rounds: int, least: Sequence[int]) -> bool:
    from tests.drills.workers.chaos.judging import WRONG

    drained, lag = figures["drained_seconds"], figures["lag_seconds"]["p99"]
    return (
        figures["faults"] >= rounds * least[0]
        and figures["events"] >= rounds * least[1]
        and all(figures[name] > 0 for name in ("payments", "charges", "messages", "duplicates_absorbed"))
        and not any(figures[name] for name in WRONG)
        and not any(figures[name] for name in ("undone", "refused", "still_waiting", "put_aside"))
        and drained is not None
        and drained <= MOST_DRAIN_SECONDS
        and lag is not None
        and lag <= MOST_LAG_SECONDS
    )


def _say(text: str) -> None:
    print(f"drill: {text}", file=sys.stderr)
