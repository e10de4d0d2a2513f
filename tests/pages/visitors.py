"""People at the pages: a signed-in client for a role of the cast, and what a page says as plain text."""

from __future__ import annotations

import html
import re
from typing import Any

from django.test import Client

from accounts.permissions import Role
from tests.cast import Cast


class Visitor(Client):
    """A browser on HTTPS that keeps to the rules: cross-site checks are on."""

    def __init__(self) -> None:
        super().__init__(enforce_csrf_checks=True, headers={"referer": "https://testserver/"})

    def request(self, **request: Any) -> Any:
        return super().request(**{**request, "wsgi.url_scheme": "https", "SERVER_PORT": "443"})

    def submit(self, path: str, **values: Any) -> Any:
        """Post a form with the token of its cookie."""
        if "__Host-csrf" not in self.cookies:
            self.get("/sign-in/")
        return self.post(path, {"csrfmiddlewaretoken": self.cookies["__Host-csrf"].value, **values})


def signed_in(cast: Cast, role: Role) -> Visitor:
    visitor = Visitor()
    visitor.force_login(cast.users[role])
    return visitor


def text_of(response: Any) -> str:
    """What stands on a page, in one line, without markup."""
    body = re.sub(r"<(head|title|desc)\b.*?</\1>", " ", response.content.decode(), flags=re.DOTALL)
    cells = re.sub(r"</(td|th|caption|option)>", " ", body)
    words = html.unescape(re.sub(r"<[^>]+>", "", cells))
    return re.sub(r"\s+", " ", words)
