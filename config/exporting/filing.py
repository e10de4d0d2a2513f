"""The archive as a file of the machine's, which has its name only once it is whole."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from accounts import languages, queries, tenancy
from accounts.commands.exporting import note_export
from accounts.errors import Conflict
from accounts.languages import Manner, _
from accounts.permissions import Actor
from config.exporting import write_everything
from config.exporting.reading_back import faults


def write_file(actor: Actor, path: Path) -> dict[str, Any]:
    """Write everything of the actor's operator to ``path``, read it again, and give its manifest.

    Conflict when the file is there already, or is not as it was written.
    """
    if path.exists():
        raise Conflict(_("{path} is there already. Name another file.", path=path))
    note_export(actor=actor)
    with tenancy.reading(actor):
        operator = queries.get_operator()
    part = path.with_name(f"{path.name}.part")
    try:
        # For nobody else to read: it holds what people said. What stands there already may be somebody else's.
        part.unlink(missing_ok=True)
        with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            with languages.speaking(Manner(languages.known_locale(operator.locale), operator.measures)):
                manifest = write_everything(actor, file)
            file.flush()
            os.fsync(file.fileno())
        wrong = faults(part)
        if wrong:
            raise Conflict(_("The file is not as it was written: {fault}", fault=wrong[0]))
        part.rename(path)
        _keep_name(path.parent)
    finally:
        part.unlink(missing_ok=True)
    return manifest


def _keep_name(folder: Path) -> None:
    """A file that stands on the disk is lost all the same while the name in its folder does not."""
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)
