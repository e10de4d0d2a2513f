"""The deployment as docker-compose.yml describes it, for tests and drills that run the same commands."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from typing import Any

import yaml

ROOT = Path(__file__).resolve().parent.parent
FILE = ROOT / "docker-compose.yml"


def services() -> dict[str, dict[str, Any]]:
    """Each service by its name, with what it takes from the anchors."""
    found: dict[str, dict[str, Any]] = yaml.safe_load(FILE.read_text(encoding="utf-8"))["services"]
    return found


def command(service: str) -> list[str]:
    """What a service runs, word by word, as the container sees it; the image's own command where it names none."""
    said = services()[service].get("command", image_command())
    words = shlex.split(said) if isinstance(said, str) else list(said)
    return [word.replace("$$", "$") for word in words]


def image_command() -> list[str]:
    """The command of the Dockerfile."""
    (said,) = re.findall(
        r"^CMD (\[.*?\])$", (ROOT / "Dockerfile").read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL
    )
    words: list[str] = yaml.safe_load(said.replace("\\\n", ""))
    return words


def postgres_settings() -> dict[str, str]:
    """What the service db sets by ``-c``."""
    words = command("db")
    return dict(
        words[at + 1].split("=", 1) for at, word in enumerate(words) if word == "-c" and "=" in words[at + 1]
    )
