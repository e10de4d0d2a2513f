"""Where the document is: the same for everyone, made once a process, and nothing of any operator in it."""

from __future__ import annotations

import hashlib
import json
from functools import cache
from typing import Any

from django.http import HttpResponse
from django.utils import translation
from drf_spectacular.generators import SchemaGenerator
from rest_framework.request import Request
from rest_framework.views import APIView

KEPT = "public, max-age=300"


@cache
def document() -> dict[str, Any]:
    """The OpenAPI document, in English whoever asks."""
    with translation.override("en-gb"):
        made = SchemaGenerator().get_schema(request=None, public=True)
    return json.loads(json.dumps(made))


@cache
def _rendered() -> tuple[bytes, str]:
    body = json.dumps(document(), ensure_ascii=False, separators=(",", ":")).encode()
    return body, f'"{hashlib.sha256(body).hexdigest()[:32]}"'


class Schema(APIView):
    authentication_classes = ()
    permission_classes = ()
    schema = None

    def get(self, request: Request) -> HttpResponse:
        body, tag = _rendered()
        known = tag in request.headers.get("If-None-Match", "")
        response = HttpResponse(b"" if known else body, status=304 if known else 200)
        response["Content-Type"] = "application/json"
        response["ETag"], response["Cache-Control"] = tag, KEPT
        return response
