"""Every version of every payload ever written stays readable, and a bumped version without its upcaster starts nothing."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from pathlib import Path

import pytest

from servicing.events.reading import PAYLOADS, UPCASTERS, gaps_in_versions
from servicing.events.types import EventType, WickChecked
from tests.servicing.goldens import CASES, cases, expected_files, files, hash_of, newest_of

ROOT = Path(__file__).resolve().parent.parent.parent


def test_each_version_of_each_type_has_its_file_and_no_file_is_left_over():
    assert set(files()) == expected_files()
    assert {EventType(path.parent.name) for path in files()} == set(EventType)


def test_each_file_holds_the_least_and_the_most_that_a_payload_says():
    named = {path: set(json.loads(path.read_text())) for path in files()}

    assert [str(path) for path, names in named.items() if names != CASES] == []


@pytest.mark.parametrize(("kind", "version", "name", "case"), cases())
def test_a_payload_of_any_version_reads_as_it_always_did(kind, version, name, case):
    assert newest_of(kind, version, case["payload"]) == case["newest"]


@pytest.mark.parametrize(("kind", "version", "name", "case"), cases())
def test_the_content_hash_of_an_event_is_what_it_always_was(kind, version, name, case):
    assert hash_of(kind, version, case["payload"]) == case["content_hash"]


@pytest.mark.parametrize(("kind", "version", "name", "case"), cases())
def test_anybody_can_make_the_hash_again_with_the_standard_library(kind, version, name, case):
    """Python's own json and hashlib (FIPS 180-4), from the form that the log's ``content_hash`` describes."""
    subject = str(PAYLOADS[EventType(kind)].SUBJECTS[0])
    ids = {n: f"00000000-0000-0000-0000-00000000000{n}" for n in range(1, 6)}
    form = [ids[1], ids[2], 3, subject, ids[4], kind, version, "2026-06-15T12:00:00.250000+00:00"]
    form += [None, ids[5], None, None, case["payload"]]
    text = json.dumps(form, sort_keys=True, separators=(",", ":"), ensure_ascii=False)

    assert hashlib.sha256(text.encode()).hexdigest() == case["content_hash"]


class BumpedWickChecked(WickChecked):
    VERSION = 2


def test_a_bumped_version_without_its_upcaster_is_a_gap():
    bumped = {**PAYLOADS, EventType.WICK_CHECKED: BumpedWickChecked}

    assert gaps_in_versions(PAYLOADS, UPCASTERS) == []
    assert gaps_in_versions(bumped, UPCASTERS) == ["wick.checked: version 1 has no upcaster to version 2."]
    assert gaps_in_versions(bumped, {*UPCASTERS, (EventType.WICK_CHECKED, 1)}) == []


def test_an_upcaster_that_leads_nowhere_is_a_gap():
    assert gaps_in_versions(PAYLOADS, {*UPCASTERS, (EventType.WICK_CHECKED, 1)}) == [
        "wick.checked: the upcaster of version 1 leads to no version."
    ]


BUMP = """
from servicing.events import types
types.WickChecked.VERSION = {version}
from config import settings
import os
os.environ["DJANGO_SETTINGS_MODULE"] = "config.settings"
from django.core.management import execute_from_command_line
execute_from_command_line(["manage.py", "check"])
"""


def check_with(version: int) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", BUMP.format(version=version)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )


def test_nothing_starts_with_a_bumped_version_that_has_no_upcaster():
    good, bad = check_with(1), check_with(2)

    assert (good.returncode, good.stderr.splitlines()[-1:]) == (0, [])
    assert bad.returncode == 1
    assert "wick.checked: version 1 has no upcaster to version 2." in bad.stderr
