"""What a page makes a browser fetch stays light: an office looks at it all day, a customer on a phone in a basement."""

from __future__ import annotations

import gzip
import re
from pathlib import Path

import pytest
from django.contrib.staticfiles import finders
from django.test import Client

from accounts.permissions import Role
from tests.browser.walking import install_all
from tests.cast import Cast
from tests.pages.visitors import signed_in

KILOBYTE = 1_024
# Of the client's: less than 45 kB of compressed script on the page that is open all day.
MOST_SCRIPT = 45 * KILOBYTE
# Ours: about three screens of it; a stylesheet of its own, without a framework, needs no more.
MOST_STYLE = 8 * KILOBYTE


def compressed(name: str) -> int:
    found = finders.find(name)
    assert isinstance(found, str), name
    return len(gzip.compress(Path(found).read_bytes(), 9))


def fetched(body: str) -> dict[str, int]:
    """Each file that a page names, and, of scripts, what they import, with its compressed size."""
    names = set(re.findall(r"(?:src|href)=\"/static/([^\"]+\.(?:js|css))\"", body))
    waiting = {name for name in names if name.endswith(".js")}
    while waiting:
        path = Path(str(finders.find(waiting.pop())))
        for other in re.findall(r"(?:from|import)\s*\"\./([\w./-]+\.js)\"", path.read_text(encoding="utf-8")):
            if other not in names:
                names.add(other)
                waiting.add(other)
    return {name: compressed(name) for name in sorted(names)}


@pytest.mark.parametrize("path", ["", "rounds/", "sites/S1", "units/", "months/", "money/", "set-up/"])
def test_the_pages_of_the_office_are_light(north: Cast, path: str) -> None:
    install_all(north)
    answer = signed_in(north, Role.OWNER).get(f"/{north.operator.slug}/{path}", follow=True)
    assert answer.status_code == 200
    found = fetched(answer.content.decode())
    script = sum(size for name, size in found.items() if name.endswith(".js"))
    style = sum(size for name, size in found.items() if name.endswith(".css"))
    assert script < MOST_SCRIPT, found
    assert 0 < style < MOST_STYLE, found


def test_the_sign_in_needs_no_script(database: object) -> None:
    answer = Client(headers={"x-forwarded-proto": "https"}).get("/sign-in/", secure=True)
    assert [name for name in fetched(answer.content.decode()) if name.endswith(".js")] == []
