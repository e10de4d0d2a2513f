"""What the product is made of: known vulnerabilities in what is locked, and the bill of materials (CycloneDX).

``python -m tests.supply audit`` fails for a known vulnerability in the product's lock; where the source of advisories knows
nothing of any package, or is out of reach, it says so plainly and checks nothing. ``python -m tests.supply bill FILE`` writes the bill.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
LOCK = ROOT / "requirements.lock"
TRIED_SECONDS = 120
NOT_AUDITED = "Nothing was audited: {why}. Run `make audit` where the source of advisories can be reached."


def audit(lock: Path = LOCK) -> tuple[list[str], str]:
    """Known vulnerabilities in a lock, a line each; and why nothing could be said of it, or ""."""
    command = [sys.executable, "-m", "pip_audit", "-r", str(lock), "--require-hashes", "--disable-pip"]
    try:
        done = subprocess.run(
            [*command, "--progress-spinner", "off", "--format", "json"],
            capture_output=True,
            text=True,
            check=False,
            timeout=TRIED_SECONDS,
        )
    except subprocess.TimeoutExpired:
        return [], "the source of advisories did not answer"
    try:
        return read(json.loads(done.stdout))
    except ValueError:
        # It writes no report when it can't ask; the last line says why.
        return [], (done.stderr.strip().splitlines() or ["no answer"])[-1][:200]


def read(report: dict[str, Any]) -> tuple[list[str], str]:
    """The report of pip-audit: the vulnerabilities in it, and why it says nothing, if it does."""
    packages = report["dependencies"]
    known = [one for one in packages if "vulns" in one]
    found = [
        f"{one['name']} {one['version']}: {vulnerability['id']}, mended in {', '.join(vulnerability['fix_versions']) or 'no version yet'}"
        for one in known
        for vulnerability in one["vulns"]
    ]
    return found, "" if known else "the source of advisories knows none of these packages"


def bill(path: Path) -> int:
    """Write the bill of materials of the product's lock as CycloneDX JSON 1.6; gives how many packages are in it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    command = [
        sys.executable,
        "-m",
        "cyclonedx_py",
        "requirements",
        LOCK,
        "--pyproject",
        ROOT / "pyproject.toml",
    ]
    options = [
        "--spec-version",
        "1.6",
        "--output-format",
        "JSON",
        "--output-reproducible",
        "--output-file",
        path,
    ]
    subprocess.run([str(part) for part in (*command, *options)], check=True)
    return len(json.loads(path.read_text())["components"])


def main(arguments: list[str]) -> int:
    if arguments[:1] == ["bill"] and len(arguments) == 2:
        path = Path(arguments[1])
        print(f"{path}: {bill(path)} packages of requirements.lock, CycloneDX 1.6.")
        return 0
    if arguments != ["audit"]:
        print(__doc__, file=sys.stderr)
        return 2
    found, why = audit()
    for line in found:
        print(line)
    if why:
        print(NOT_AUDITED.format(why=why))
    elif not found:
        print("No known vulnerability in requirements.lock.")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
