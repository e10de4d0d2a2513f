"""What the product is made of: the report of advisories is read as it is meant, and the bill holds all that is locked."""

from __future__ import annotations

import json
import re

import pytest
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator

from tests import supply

# As pip-audit 2.10 writes it (`--format json`).
VULNERABLE = {
    "name": "brine",
    "version": "1.0",
    "vulns": [{"id": "PYSEC-2026-1", "fix_versions": ["1.1"], "aliases": [], "description": ""}],
}
SOUND = {"name": "wicker", "version": "2.0", "vulns": []}
UNKNOWN = {"name": "wicker", "skip_reason": "Dependency not found"}


@pytest.mark.parametrize(
    ("packages", "found", "says_nothing"),
    [
        ([SOUND], [], False),
        ([SOUND, VULNERABLE], ["brine 1.0: PYSEC-2026-1, mended in 1.1"], False),
        ([UNKNOWN, SOUND], [], False),
        ([UNKNOWN], [], True),
    ],
)
def test_a_report_of_advisories_is_read_as_it_is_meant(packages, found, says_nothing):
    lines, why = supply.read({"dependencies": packages, "fixes": []})

    assert lines == found
    assert bool(why) == says_nothing


def test_the_audit_fails_for_a_vulnerability_and_says_when_it_could_not_ask(monkeypatch, capsys):
    monkeypatch.setattr(supply, "audit", lambda: (["brine 1.0: PYSEC-2026-1"], ""))
    assert supply.main(["audit"]) == 1
    monkeypatch.setattr(supply, "audit", lambda: ([], "the source of advisories did not answer"))
    assert supply.main(["audit"]) == 0
    monkeypatch.setattr(supply, "audit", lambda: ([], ""))
    assert supply.main(["audit"]) == 0

    said = capsys.readouterr().out.splitlines()
    assert said[0] == "brine 1.0: PYSEC-2026-1"
    assert said[1].startswith("Nothing was audited: the source of advisories did not answer.")
    assert said[2] == "No known vulnerability in requirements.lock."


def test_the_bill_of_materials_names_every_locked_package_with_its_digests(tmp_path):
    """Checked against the schema of CycloneDX 1.6, as its own library has it."""
    path = tmp_path / "bill.json"
    locked = set(re.findall(r"^([a-z0-9.-]+)==([^ ;\\]+)", supply.LOCK.read_text(), re.MULTILINE))

    assert supply.bill(path) == len(locked)

    text = path.read_text()
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str(text) is None
    parts = json.loads(text)["components"]
    assert {(one["name"], one["version"]) for one in parts} == locked
    assert all(one["externalReferences"][0]["hashes"] for one in parts)


def test_a_bill_that_breaks_the_schema_would_be_noticed():
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str('{"bomFormat": "CycloneDX"}') is not None
