"""The files of a deployment: every password is asked for, no process has more rights than it needs, no history is shipped."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
COMPOSE = (ROOT / "docker-compose.yml").read_text(encoding="utf-8")


def services() -> dict[str, str]:
    """The text of each service by its name."""
    body = COMPOSE.split("\nservices:\n")[1].split("\nvolumes:\n")[0]
    return dict(re.findall(r"^  ([a-z-]+):\n((?:(?:    .*)?\n)*)", body + "\n", re.MULTILINE))


def test_no_password_has_a_default() -> None:
    named = re.findall(r"\$\{(\w*(?:PASSWORD|KEY|KEY_BEFORE))(:[^}]*)?\}", COMPOSE)

    assert len(named) > 8
    assert {(name, default) for name, default in named if default != ":?"} == {
        ("WICKROUND_TEXT_KEY_BEFORE", ":-")
    }


def test_only_what_migrates_may_migrate() -> None:
    found = services()

    assert set(found) == {
        "db",
        "redis",
        "migrate",
        "web",
        "worker",
        "worker-bulk",
        "worker-webhooks",
        "relay",
        "beat",
    }
    assert [name for name, text in found.items() if "DATABASE_MIGRATE_URL" in text] == ["migrate"]
    assert "DATABASE_MIGRATE_URL" not in COMPOSE.split("\nservices:\n")[0]
    assert [name for name, text in found.items() if "POSTGRES_PASSWORD" in text] == ["db"]


def test_nothing_but_the_web_server_is_reached_from_outside_and_that_by_this_machine() -> None:
    ports = {name: re.findall(r"ports: \[(.*)\]", text) for name, text in services().items()}

    assert {name: found for name, found in ports.items() if found} == {"web": ['"127.0.0.1:8000:8000"']}


def test_the_image_runs_as_nobody_special_and_ships_no_history() -> None:
    image = (ROOT / "Dockerfile").read_text(encoding="utf-8")
    left_out = (ROOT / ".dockerignore").read_text(encoding="utf-8").split()

    assert "USER wickround" in image
    assert "--require-hashes" in image
    assert {".git", ".venv", ".run"} <= {one.rstrip("/") for one in left_out}
