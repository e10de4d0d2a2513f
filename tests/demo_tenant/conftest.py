from datetime import date

import pytest

from demo_tenant.operators import OPERATORS
from demo_tenant.story import tell, tell_all

AS_OF = date(2026, 11, 24)


@pytest.fixture(scope="session")
def quick_stories():
    return tell_all("quick", AS_OF)


@pytest.fixture(scope="session")
def tiny_stories():
    return tell_all("tiny", AS_OF)


@pytest.fixture(scope="session")
def tiny_quarrow():
    return tell(OPERATORS[2], "tiny", AS_OF)
