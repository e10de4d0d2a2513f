"""What benchmarks and drills share: servers of their own, one JSON object a line, exit status 1 if any is not ok."""

from __future__ import annotations

import argparse
import importlib
import json
import os
import sys
import tempfile
from pathlib import Path

from config import embedded


def main(package: str, groups: tuple[str, ...], what: str) -> int:
    """Run the groups (``--only`` one of them, or one module of it; ``--full`` at the stated size) on durable servers."""
    name = package.rsplit(".", 1)[-1]
    parser = argparse.ArgumentParser(prog=name, description=what)
    parser.add_argument(
        "--only", metavar="GROUP[.MODULE]", help=f"one of: {', '.join(groups)}, or a module in it"
    )
    parser.add_argument("--full", action="store_true")
    options = parser.parse_args()
    if options.only and options.only.split(".")[0] not in groups:
        parser.error(f"There is no group {options.only}; there are: {', '.join(groups)}.")
    with tempfile.TemporaryDirectory(prefix="wickround-", ignore_cleanup_errors=True) as folder:
        print(f"{name}: starting the embedded servers", file=sys.stderr)
        running = embedded.start(Path(folder), durable=True, keep=False)
        try:
            os.environ.update(running.servers.environment(), DJANGO_SETTINGS_MODULE="config.settings")
            _prepare(name)
            chosen = [options.only] if options.only else list(groups)
            return _run(package, chosen, running.servers, full=options.full)
        finally:
            running.stop()


def _prepare(name: str) -> None:
    import django
    from django.core.management import call_command

    django.setup()
    print(f"{name}: making the schema", file=sys.stderr)
    call_command("migrate", database="migrate", verbosity=0)


def _run(package: str, groups: list[str], servers: embedded.Servers, *, full: bool) -> int:
    missed = 0
    for group in groups:
        module = importlib.import_module(f"{package}.{group}")
        for line in module.run(servers, full=full):
            print(json.dumps(line), flush=True)
            missed += not line["ok"]
    return 1 if missed else 0
