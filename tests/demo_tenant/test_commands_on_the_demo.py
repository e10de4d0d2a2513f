"""Commands about a database's content find the demo's where none is named, and say what to do where there is none."""

from __future__ import annotations

import os
import subprocess
import sys

from django.conf import settings

from manage import OF_A_DATABASE


def test_a_command_without_a_database_says_what_to_do(tmp_path):
    environment = {name: value for name, value in os.environ.items() if not name.startswith("DATABASE_")}

    done = subprocess.run(
        [sys.executable, "manage.py", "rebuild", "--check"],
        cwd=settings.BASE_DIR,
        env={**environment, "WICKROUND_RUN_FOLDER": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 1
    assert "make demo" in done.stderr
    assert "Traceback" not in done.stderr


def test_every_command_of_ours_about_a_database_finds_the_demos():
    ours = {path.stem for path in (settings.BASE_DIR / "config/management/commands").glob("[a-z]*.py")}

    assert ours <= OF_A_DATABASE
