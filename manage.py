#!/usr/bin/env python
"""Django's command line: migrate, demo, rebuild, audit_isolation and the rest."""

import os
import sys


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    try:
        from django.core.management import execute_from_command_line  # noqa: PLC0415
    except ImportError:
        sys.exit("Django is not installed for this Python. Run 'make env', then use .venv/bin/python manage.py.")
    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
