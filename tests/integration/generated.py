"""The client that openapi-python-client makes from the served description, as an integrator would make it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

SETTINGS = Path(__file__).with_name("client.yaml")


def make_client_package(address: str, folder: Path) -> str:
    """Generate the package ``wickround_client`` in ``folder``; what it printed. RuntimeError with that if anything is amiss."""
    beside = str(Path(sys.executable).parent)
    done = subprocess.run(
        [
            f"{beside}/openapi-python-client",
            "generate",
            *("--url", f"{address}/api/v1/schema"),
            *("--config", str(SETTINGS)),
            *("--meta", "none"),
            *("--output-path", str(folder / "wickround_client")),
            "--overwrite",
            "--fail-on-warning",
        ],
        # It looks for ruff there, to put what it wrote in order.
        env={**os.environ, "PATH": f"{beside}{os.pathsep}{os.environ.get('PATH', '')}"},
        capture_output=True,
        text=True,
        check=False,
        timeout=600,
    )
    said = done.stdout + done.stderr
    if done.returncode or "Skipping Integration" in said:
        raise RuntimeError(said)
    return said
