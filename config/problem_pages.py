"""The addresses that problem documents name their types by: a page for people, JSON or plain text for programs."""

from __future__ import annotations

import json
from http import HTTPStatus
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.cache import patch_vary_headers
from django.views.decorators.http import require_safe

from accounts.languages import _
from config.problems import MEDIA_TYPE, PROBLEM_TYPES, example_of, type_uri

_TEXT, _PAGE, _JSON = "text/plain", "text/html", "application/json"


@require_safe
def problem_page(request: HttpRequest, code: str = "") -> HttpResponse:
    """``/problems/<code>``: what a type means and what to do about it; without a code the whole list."""
    if code and code not in PROBLEM_TYPES:
        raise Http404
    shown = [_shown(one) for one in ([code] if code else PROBLEM_TYPES)]
    asked = request.get_preferred_type([_TEXT, _PAGE, _JSON, MEDIA_TYPE])
    if asked == _PAGE:
        response = _page(request, shown, is_one=bool(code))
    elif asked in {_JSON, MEDIA_TYPE}:
        response = HttpResponse(json.dumps(shown[0] if code else {"problems": shown}), content_type=_JSON)
    else:
        response = HttpResponse("\n".join(map(_text, shown)), content_type=f"{_TEXT}; charset=utf-8")
    patch_vary_headers(response, ("Accept",))
    return response


def _page(request: HttpRequest, shown: list[dict[str, Any]], *, is_one: bool) -> HttpResponse:
    if is_one:
        return render(request, "problem.html", {"problem": shown[0], "answer": answer_text(shown[0])})
    return render(request, "problems.html", {"problems": shown})


def _shown(code: str) -> dict[str, Any]:
    """A type in the language of whoever reads; its example is what a program gets, as it gets it."""
    kind = PROBLEM_TYPES[code]
    return {
        "code": code,
        "type": type_uri(code),
        "status": kind.status,
        "title": _(kind.title),
        "meaning": _(kind.meaning),
        "remedy": _(kind.remedy),
        "example": {
            "headers": {"Content-Type": MEDIA_TYPE, **dict(kind.headers)},
            "body": example_of(code),
        },
    }


def _text(shown: dict[str, Any]) -> str:
    said = (shown["title"], shown["meaning"], shown["remedy"])
    return "\n".join((f"{shown['code']} ({shown['status']})", *said, "", answer_text(shown), ""))


def answer_text(shown: dict[str, Any]) -> str:
    """The example as it comes over the wire (RFC 9112), its body set for reading."""
    lines = [f"HTTP/1.1 {shown['status']} {HTTPStatus(shown['status']).phrase}"]
    lines += [f"{name}: {value}" for name, value in shown["example"]["headers"].items()]
    return "\n".join((*lines, "", json.dumps(shown["example"]["body"], indent=2), ""))
