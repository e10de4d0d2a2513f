"""Drills: ``make drill [ONLY=log|billing|feed|isolation|workers] [FULL=1]``. Faults and crowds on purpose; what must hold is computed from the figures."""

import sys

from tests import measuring

if __name__ == "__main__":
    sys.exit(
        measuring.main(
            "tests.drills",
            ("log", "billing", "feed", "isolation", "workers"),
            "Inject faults and check that nothing is lost.",
        )
    )
