#!/usr/bin/env python
"""Django's command line: migrate, demo, rebuild, audit_isolation and the rest."""

import os
import sys
from pathlib import Path

# Commands that speak of a database's content: where none is named, of the demo's.
OF_A_DATABASE = {
    "alive",
    "anchor",
    "audit_billing",
    "audit_isolation",
    "close_operator",
    "dbshell",
    "end_sessions",
    "erase_person",
    "export_operator",
    "lag",
    "make_support_person",
    "migrate",
    "open_operator",
    "prove_event",
    "rebuild",
    "refit",
    "relay",
    "reset_second_factor",
    "rewrap_person_keys",
    "seal",
    "set_password",
    "shell",
    "verify_audit",
    "verify_log",
}


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    try:
        from django.core.management import execute_from_command_line  # noqa: PLC0415
    except ImportError:
        sys.exit(
            "Django is not installed for this Python. Run 'make env', then use .venv/bin/python manage.py."
        )
    if sys.argv[1:2] and sys.argv[1] in OF_A_DATABASE and not os.environ.get("DATABASE_URL"):
        sys.exit(on_the_demo(sys.argv[1:]))
    from accounts import origin  # noqa: PLC0415

    # For the audit: what a command changes comes from it.
    origin.at_door(f"command {' '.join(sys.argv[1:2])}".strip())
    execute_from_command_line(sys.argv)


def on_the_demo(arguments: list[str]) -> int | str:
    """Exit status of the command on the demo's database, or the sentence that says why there is none."""
    import django  # noqa: PLC0415

    django.setup()
    from config.embedded import ServersError  # noqa: PLC0415
    from demo_tenant import hosting  # noqa: PLC0415

    folder = os.environ.get("WICKROUND_RUN_FOLDER") or Path(__file__).resolve().parent / ".run"
    try:
        return hosting.run_on_demo(Path(folder), arguments)
    except ServersError as without:
        return str(without)


if __name__ == "__main__":
    main()
