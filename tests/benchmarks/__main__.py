"""Benchmarks: ``make bench [ONLY=log] [FULL=1]``. One JSON object a line on standard output, progress on standard error.

Ours, the limit and the peer run in turn on one server in one process, so that a noisy machine troubles them alike;
the ratio is the median of the rounds' own ratios. Exit status 1 if any target is missed.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import sys
import tempfile
from pathlib import Path

GROUPS = ("log",)


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="bench", description="Measure against a limit or a peer in the same run."
    )
    parser.add_argument("--only", choices=GROUPS, default=None)
    parser.add_argument("--full", action="store_true")
    options = parser.parse_args()
    from config import embedded

    with tempfile.TemporaryDirectory(prefix="wickround-bench-") as folder:
        print("bench: starting the embedded servers", file=sys.stderr)
        running = embedded.start(Path(folder), durable=True, keep=False)
        try:
            os.environ.update(running.servers.environment(), DJANGO_SETTINGS_MODULE="config.settings")
            _prepare()
            return _run([options.only] if options.only else list(GROUPS), running.servers, full=options.full)
        finally:
            running.stop()


def _prepare() -> None:
    import django
    from django.core.management import call_command

    django.setup()
    print("bench: making the schema", file=sys.stderr)
    call_command("migrate", database="migrate", verbosity=0)


def _run(groups: list[str], servers: object, *, full: bool) -> int:
    missed = 0
    for group in groups:
        module = importlib.import_module(f"tests.benchmarks.{group}")
        for line in module.run(servers, full=full):
            print(json.dumps(line), flush=True)
            missed += not line["ok"]
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
