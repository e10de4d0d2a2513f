"""The page on security: every requirement of the standard stands in it once, and what is named beside it is there.

Source: OWASP Application Security Verification Standard 5.0.0, the ids of its levels 1 (70) and 2 (183).
"""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
LEVEL_1 = """
1.2: 1-5; 1.3: 1-2; 1.5: 1; 2.1: 1; 2.2: 1-2; 2.3: 1; 3.2: 1-2; 3.3: 1; 3.4: 1-2; 3.5: 1-3; 4.1: 1; 4.4: 1; 5.2: 1-2; 5.3: 1-2;
6.1: 1; 6.2: 1-8; 6.3: 1-2; 6.4: 1-2; 7.2: 1-4; 7.4: 1-2; 8.1: 1; 8.2: 1-2; 8.3: 1; 9.1: 1-3; 9.2: 1; 10.4: 1-5; 11.3: 1-2;
11.4: 1; 12.1: 1; 12.2: 1-2; 13.4: 1; 14.2: 1; 14.3: 1; 15.1: 1; 15.2: 1; 15.3: 1
"""
LEVEL_2 = """
1.1: 1-2; 1.2: 6-9; 1.3: 3-11; 1.4: 1-3; 1.5: 2; 2.1: 2-3; 2.2: 3; 2.3: 2-4; 2.4: 1; 3.3: 2-4; 3.4: 3-6; 3.5: 4-5; 3.7: 1-2;
4.1: 2-3; 4.2: 1; 4.3: 1-2; 4.4: 2-4; 5.1: 1; 5.2: 3; 5.4: 1-3; 6.1: 2-3; 6.2: 9-12; 6.3: 3-4; 6.4: 3-4; 6.5: 1-5; 6.6: 1-3;
6.8: 1-4; 7.1: 1-3; 7.3: 1-2; 7.4: 3-5; 7.5: 1-2; 7.6: 1-2; 8.1: 2; 8.2: 3; 8.4: 1; 9.2: 2-4; 10.1: 1-2; 10.2: 1-2; 10.3: 1-4;
10.4: 6-11; 10.5: 1-5; 10.6: 1-2; 10.7: 1-3; 11.1: 1-2; 11.2: 1-3; 11.3: 3; 11.4: 2-4; 11.5: 1; 11.6: 1; 12.1: 2-3; 12.3: 1-4;
13.1: 1; 13.2: 1-5; 13.3: 1-2; 13.4: 2-5; 14.1: 1-2; 14.2: 2-4; 14.3: 2-3; 15.1: 2-3; 15.2: 2-3; 15.3: 2-7; 16.1: 1; 16.2: 1-5;
16.3: 1-4; 16.4: 1-3; 16.5: 1-3; 17.1: 1; 17.2: 1-4; 17.3: 1-2
"""
ROW = re.compile(r"^\| (\d+\.\d+\.\d+) \| (\d) \| ([^|]+) \| ([^|]+) \| ([^|]*) ?\|$")
NOT_FOR_US = "Does not apply: "
# What whoever runs the product sees to, or what stands in the page's own first part; and where we say that less is done.
WITHOUT_A_TEST = {
    "5.4.3", "6.2.12", "11.1.2", "12.1.2", "12.2.2", "12.3.1", "13.1.1", "13.2.5", "14.1.1", "14.1.2", "16.4.3",
}  # fmt: skip


def ids(ranges: str) -> list[str]:
    found = []
    for one in ranges.replace("\n", " ").split(";"):
        section, numbers = one.strip().split(": ")
        first, _dash, last = numbers.partition("-")
        found += [f"{section}.{number}" for number in range(int(first), int(last or first) + 1)]
    return found


def rows() -> list[tuple[str, ...]]:
    lines = (ROOT / "docs/security.md").read_text(encoding="utf-8").splitlines()
    return [tuple(part.strip() for part in found.groups()) for line in lines if (found := ROW.match(line))]


def test_every_requirement_stands_there_once_with_its_level() -> None:
    assert (len(ids(LEVEL_1)), len(ids(LEVEL_2))) == (70, 183)

    said = [(row[0], row[1]) for row in rows()]

    assert sorted(said) == sorted(
        [*((one, "1") for one in ids(LEVEL_1)), *((one, "2") for one in ids(LEVEL_2))]
    )


def test_each_says_what_is_done_or_why_it_does_not_apply() -> None:
    bare = {
        number
        for number, _level, _short, done, shown in rows()
        if not shown and not done.removeprefix("*").startswith(NOT_FOR_US)
    }

    assert bare == WITHOUT_A_TEST


def test_what_shows_it_is_there() -> None:
    named = {(row[0], path) for row in rows() for path in filter(None, row[4].split(", "))}

    assert len(named) > 180
    assert [(number, path) for number, path in sorted(named) if not (ROOT / path).is_file()] == []


def test_nine_in_ten_of_those_that_apply_are_shown_by_a_test() -> None:
    applying = [row for row in rows() if not row[3].startswith(NOT_FOR_US)]
    by_test = [row for row in applying if any(path.startswith("tests/") for path in row[4].split(", "))]

    assert len(by_test) / len(applying) >= 0.9
