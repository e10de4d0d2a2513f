"""What benchmarks and drills share: servers of their own, one JSON object a line, exit status 1 if any is not ok."""

from __future__ import annotations

import argparse
import importlib
import json
import os
import subprocess
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
    chosen = [
        one for group in ([options.only] if options.only else groups) for one in _modules(package, group)
    ]
    if len(chosen) > 1:
        return max(_apart(package, one, full=options.full) for one in chosen)
    if not _needs_servers(package, chosen[0]):
        return _run(package, chosen[0], None, full=options.full)
    with tempfile.TemporaryDirectory(prefix="wickround-", ignore_cleanup_errors=True) as folder:
        print(f"{name}: starting the embedded servers", file=sys.stderr)
        running = embedded.start(
            Path(folder), durable=True, keep=False, settings=_settings(package, chosen[0])
        )
        try:
            os.environ.update(running.servers.environment(), DJANGO_SETTINGS_MODULE="config.settings")
            _prepare(name)
            return _run(package, chosen[0], running.servers, full=options.full)
        finally:
            running.stop()


def _modules(package: str, group: str) -> list[str]:
    """A group's modules in their order, or the one module named."""
    if "." in group:
        return [group]
    return [f"{group}.{name}" for name in importlib.import_module(f"{package}.{group}").MODULES]


def _needs_servers(package: str, module: str) -> bool:
    """Whether a module needs servers at all: those in its group's ``PURE`` only reckon."""
    group, name = module.split(".")
    return name not in getattr(importlib.import_module(f"{package}.{group}"), "PURE", ())


def _settings(package: str, module: str) -> dict[str, str]:
    """What a group's ``SETTINGS`` want of PostgreSQL besides what it is given anyhow."""
    group, _ = module.split(".")
    found: dict[str, str] = getattr(importlib.import_module(f"{package}.{group}"), "SETTINGS", {})
    return found


def _apart(package: str, module: str, *, full: bool) -> int:
    """A module in a process and on servers of its own: none finds another's rows, or its memory."""
    command = [sys.executable, "-m", package, "--only", module, *(["--full"] if full else [])]
    return min(1, abs(subprocess.run(command, check=False).returncode))


def _prepare(name: str) -> None:
    import django
    from django.core.management import call_command

    django.setup()
    print(f"{name}: making the schema", file=sys.stderr)
    call_command("migrate", database="migrate", verbosity=0)


def _run(package: str, module: str, servers: embedded.Servers | None, *, full: bool) -> int:
    missed = 0
    for line in importlib.import_module(f"{package}.{module}").run(servers, full=full):
        print(json.dumps(line), flush=True)
        missed += not line["ok"]
    return 1 if missed else 0
