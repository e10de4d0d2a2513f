"""What an address asks for behind its question mark: each name known, once, and with a value of its kind."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from rest_framework.request import Request

from accounts.errors import Problem, pointer_to
from accounts.languages import _

YES_AND_NO = frozenset({"true", "false"})


def query_problems(request: Request, known: Collection[str], yes_or_no: Collection[str]) -> list[Problem]:
    """What is wrong with a request's query. ``yes_or_no``: the names whose value is true or false.

    An empty value is refused: read as none at all it would answer with everything, where one thing was meant.
    """
    return [*_unknown(request, known), *_repeated(request), *_unreadable(request, yes_or_no)]


def _unknown(request: Request, known: Collection[str]) -> Iterator[Problem]:
    for name in request.query_params:
        if name not in known:
            yield Problem(pointer_to(name), "unknown-parameter", _("There is no such query parameter here."))


def _repeated(request: Request) -> Iterator[Problem]:
    for name, values in request.query_params.lists():
        if len(values) > 1:
            yield Problem(pointer_to(name), "repeated-parameter", _("Give this query parameter once."))


def _unreadable(request: Request, yes_or_no: Collection[str]) -> Iterator[Problem]:
    for name, value in request.query_params.items():
        if not value:
            yield Problem(
                pointer_to(name), "empty-parameter", _("Give this query parameter a value, or leave it out.")
            )
        elif name in yes_or_no and value not in YES_AND_NO:
            yield Problem(pointer_to(name), "invalid", _("Expected: true or false."))
