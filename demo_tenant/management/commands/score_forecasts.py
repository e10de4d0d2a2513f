"""Judge the forecasts against the invented world's hidden truth, in memory and without a database."""

from __future__ import annotations

import json
import sys
import time
from datetime import date, timedelta
from typing import Any

from django.core.management.base import BaseCommand

from accounts import clock
from demo_tenant.presets import DEFAULT_SEED, PRESETS
from demo_tenant.scoring.scores import table
from demo_tenant.scoring.verdict import simulated_scores, world_scores


class Command(BaseCommand):
    help = "Score the forecasts against the invented world's hidden truth; exit status 1 when a target is missed."
    requires_system_checks = ()

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--preset", choices=sorted(PRESETS), default="full", help="How large a world.")
        parser.add_argument("--seed", default=DEFAULT_SEED, help="Another seed, another world.")
        parser.add_argument(
            "--as-of", type=date.fromisoformat, help="The world's last day; default yesterday."
        )
        parser.add_argument("--json", action="store_true", help="One JSON object on standard output.")

    def handle(self, *args: Any, **options: Any) -> None:
        as_of = options["as_of"] or clock.now().date() - timedelta(days=1)
        started = time.monotonic()
        scores = [
            *world_scores(options["preset"], as_of, options["seed"], self._say),
            *simulated_scores(self._say),
        ]
        ok = all(score.ok for score in scores)
        if options["json"]:
            said = {
                "preset": options["preset"],
                "seed": options["seed"],
                "as_of": str(as_of),
                "seconds": round(time.monotonic() - started, 1),
                "ok": ok,
                "scores": [score.to_json() for score in scores],
            }
            self.stdout.write(json.dumps(said))
        else:
            self.stdout.write(table(scores))
        if not ok:
            sys.exit(1)

    def _say(self, text: str) -> None:
        self.stderr.write(text)
        self.stderr.flush()
