from __future__ import annotations

from typing import Any

import pytest

from tests.api.callers import live
from tests.cast import Cast


@pytest.fixture
def lived(north: Cast) -> dict[str, Any]:
    """``north`` with something of every kind in it; the ids of one row of each."""
    return live(north)
