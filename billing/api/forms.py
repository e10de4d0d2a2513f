"""The forms in which a document is answered: JSON, a letter (PDF), an e-invoice (UBL), and its lines (CSV)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import orjson
from rest_framework.renderers import BaseRenderer, JSONRenderer

from billing.queries.document_forms import MEDIA_TYPES

JsonForm = JSONRenderer


class _AsItIs(BaseRenderer):
    """For bytes that stand ready; only its media type and its ending matter."""

    charset = None
    render_style = "binary"

    def render(
        self,
        data: Any,
        accepted_media_type: str | None = None,
        renderer_context: Mapping[str, Any] | None = None,
    ) -> Any:
        return data


class PlainJson(JSONRenderer):
    """JSON of plain values, for long answers: written several times as fast, with the same texts of days and moments."""

    def render(
        self,
        data: Any,
        accepted_media_type: str | None = None,
        renderer_context: Mapping[str, Any] | None = None,
    ) -> bytes:
        return b"" if data is None else orjson.dumps(data, option=orjson.OPT_UTC_Z)


class PdfForm(_AsItIs):
    media_type = MEDIA_TYPES["pdf"]
    format = "pdf"


class UblForm(_AsItIs):
    media_type = MEDIA_TYPES["xml"]
    format = "xml"


class CsvForm(_AsItIs):
    media_type = MEDIA_TYPES["csv"]
    format = "csv"


FORMS: list[type[BaseRenderer]] = [JsonForm, PdfForm, UblForm, CsvForm]
