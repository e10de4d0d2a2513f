"""Benchmarks: ``make bench [ONLY=log|forecast|billing|pages|feed|scale] [FULL=1]``.

Ours, the limit and the peer run in turn on one server in one process, so that a noisy machine troubles them alike;
the ratio is the median of the rounds' own ratios.
"""

import sys

from tests import measuring

if __name__ == "__main__":
    sys.exit(
        measuring.main(
            "tests.benchmarks",
            ("log", "forecast", "billing", "pages", "feed", "scale"),
            "Measure against a limit or a peer in the same run.",
        )
    )
