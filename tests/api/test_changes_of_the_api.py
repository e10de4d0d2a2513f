"""No change of the API goes out in silence: its summary is kept here, and docs/api-changes.md says what is new.

`WICKROUND_WRITE_EXAMPLES=1 make test ARGS=tests/api/test_changes_of_the_api.py` writes the summary anew; then write the line
in docs/api-changes.md, under a new version if programs may notice, and put the digest there that the test names.
"""

from __future__ import annotations

import copy
import json
import os
import re
from pathlib import Path

import pytest

from config.schema.view import document
from tests.api.summary import differences, digest_of, summary_of

KEPT = Path(__file__).with_name("schema.json")
CHANGES = Path(__file__).resolve().parents[2] / "docs" / "api-changes.md"


@pytest.fixture(scope="module")
def kept():
    if os.environ.get("WICKROUND_WRITE_EXAMPLES"):
        KEPT.write_text(json.dumps(summary_of(document()), indent=1, sort_keys=True) + "\n")
    return json.loads(KEPT.read_text())


def newest():
    """The newest version of the changelog, and its digest."""
    heading, digest = re.search(
        r"^## (\S+)\n\nDigest: `([0-9a-f]{12})`\n\n\S", CHANGES.read_text(), re.MULTILINE
    ).groups()
    return heading, digest


def test_the_api_is_the_one_whose_summary_is_kept(kept):
    found = differences(kept, summary_of(document()))

    assert found == [], "Write the summary anew and say in docs/api-changes.md what changed."


def test_the_changelog_knows_the_api_as_it_is(kept):
    assert newest() == (document()["info"]["version"], digest_of(kept))


def test_a_summary_sees_a_member_that_went_and_a_scope_that_came(kept):
    changed = copy.deepcopy(document())
    del changed["components"]["schemas"]["Payment"]["properties"]["left"]
    changed["paths"]["/api/v1/payments"]["get"]["security"] = [{"program": ["invoices:read"]}]
    changed["components"]["schemas"]["Payment"]["description"] = "Other words"

    found = differences(kept, summary_of(changed))

    assert [line.split(":")[0] for line in found] == [
        "/components/Payment/left",
        "/operations/list_payments/scopes",
    ]
    assert digest_of(summary_of(changed)) != digest_of(kept)
