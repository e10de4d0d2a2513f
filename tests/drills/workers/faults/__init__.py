"""A fault at each statement and each commit of what writes: all of it is stored or nothing, and asked again it is done."""

from __future__ import annotations

import logging
import random
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import chain
from typing import Any

import psycopg
from django.conf import settings
from django.test.utils import override_settings

from accounts import clock
from config import embedded
from tests.api.callers import live, signed_in
from tests.api.calls import LATER, Setting
from tests.cast import NOON, new_cast
from tests.drills.workers.faults.breaking import How
from tests.drills.workers.faults.pages import page_paths
from tests.drills.workers.faults.paths import api_paths, warm, worker_paths
from tests.drills.workers.faults.stored import Tables
from tests.drills.workers.faults.trying import NotToBeTried, Trial, Tried
from tests.integration.serving import as_in_the_tests

SEED = 20_269
# What is tried in the short form, and which share of the steps.
SHORT = {
    "upload_service_events": 1.0,
    "record_payments": 0.5,
    "close_month": 0.1,
    "servicing.tasks.sweep": 1.0,
}
MOST_SHOWN = 6
UNBOUND = (60_000_000, 1_000_000)
TARGET = "0 partial states, 0 answered as done and not stored, 0 not done when sent again"


def run(servers: embedded.Servers, *, full: bool) -> Iterator[dict[str, Any]]:
    """``full``: all that the API, the pages chosen and the workers write, at every step; else four of them."""
    from config.schema.view import document

    as_in_the_tests()
    logging.disable(logging.CRITICAL)
    draw = random.Random(SEED)
    tried: list[Tried] = []
    untried: list[str] = []
    with (
        psycopg.connect(servers.superuser_url, autocommit=True) as superuser,
        clock.playing(NOON),
        override_settings(
            EMAIL_BACKEND="django.core.mail.backends.locmem.EmailBackend",
            RATE_LIMITS=dict.fromkeys(settings.RATE_LIMITS, UNBOUND),
        ),
    ):
        cast = new_cast("north")
        setting = Setting(cast, signed_in(cast), {name: str(value) for name, value in live(cast).items()})
        tables = Tables(superuser)
        warm(setting)
        for name, path in chain(page_paths(cast), api_paths(setting, document()), worker_paths(cast)):
            if full or name in SHORT:
                with clock.playing(LATER.get(name, clock.now())):
                    try:
                        tried.append(_tried(Trial(tables, path), draw, 1.0 if full else SHORT[name]))
                    except NotToBeTried as why:
                        print(f"drill: {why}", file=sys.stderr)
                        untried.append(name)
    figures = {**_figures(tried), "not_tried": untried}
    wrong = ("not_tried", "partial_states", "answered_and_not_stored", "not_done_when_sent_again")
    yield {
        "name": "workers.faults",
        "figures": figures,
        "target": TARGET,
        "ok": figures["paths"] >= len(SHORT)
        and all(figures["faults"][how] > 0 for how in How)
        and not any(figures[name] for name in wrong),
        "seed": SEED,
    }


def _tried(trial: Trial, draw: random.Random, share: float) -> Tried:
    began = time.monotonic()
    tried = trial.run(draw, share)
    seconds = time.monotonic() - began
    print(
        f"drill: {tried.name}: {tried.faults.total()} faults at {tried.steps} steps in {seconds:.1f} s",
        file=sys.stderr,
    )
    for line in tried.wrong[:MOST_SHOWN]:
        print(f"drill: {line}", file=sys.stderr)
    return tried


def _figures(tried: Sequence[Tried]) -> dict[str, Any]:
    faults: Counter[How] = sum((one.faults for one in tried), Counter())
    return {
        "paths": len(tried),
        "steps": sum(one.steps for one in tried),
        "faults": {how.value: faults[how] for how in How},
        "left_nothing": sum(one.nothing for one in tried),
        "left_whole_parts": sum(one.part_by_part for one in tried),
        "left_all": sum(one.whole for one in tried),
        "partial_states": sum(len(one.partial) for one in tried),
        "answered_and_not_stored": sum(len(one.unkept) for one in tried),
        "not_done_when_sent_again": sum(len(one.not_done_again) for one in tried),
        "of_these": sorted({one.name for one in tried if one.wrong}),
    }
