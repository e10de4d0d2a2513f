"""The checks of a deployment that are the product's own."""

from __future__ import annotations

import pytest
from django.core import checks


@pytest.mark.parametrize(("allowed", "found"), [("", []), ("127.0.0.1:18443", ["wickround.W001"])])
def test_a_deployment_sends_no_webhooks_inside_its_network(settings, allowed, found):
    settings.WEBHOOK_ALLOW = allowed

    said = checks.run_checks(tags=[checks.Tags.security], include_deployment_checks=True)

    assert [one.id for one in said if str(one.id).startswith("wickround.")] == found
