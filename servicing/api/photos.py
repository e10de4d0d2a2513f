"""Photos by API: a phone sends the bytes of one as the body, and says in the address what it shows."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from typing import IO, Any
from uuid import UUID

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail
from rest_framework.parsers import BaseParser
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import tenancy
from accounts.doors import OperatorView, Sent
from accounts.errors import BadInput, Problem
from accounts.languages import _
from accounts.permissions import Permission
from servicing.commands.photos import add_photo
from servicing.models import Photo
from servicing.queries.photos import photo_content
from servicing.rules.pictures import MOST_BYTES

# A photo never changes; whoever may see it keeps it for themselves.
# A day: one that is removed for good is then gone from browsers too.
KEPT = "private, max-age=86400"
# A phone whose clock was never set begins in 1970.
FIRST_YEAR, LAST_YEAR = 1970, 9000
_OFFSET = re.compile(r"(?:Z|[+-]\d\d:\d\d)\Z", re.IGNORECASE)
_BODY = {kind: {"type": "string", "format": "binary"} for kind in ("image/jpeg", "image/png")}


class JpegBytes(BaseParser):
    """The body as it is, a byte more than allowed at most: that tells one that is too long."""

    media_type = "image/jpeg"

    def parse(  # type: ignore[override]
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> bytes:
        return bytes(stream.read(MOST_BYTES + 1))


class PngBytes(JpegBytes):
    media_type = "image/png"


class JpegForm(BaseRenderer):
    """For an answer that is a JPEG."""

    media_type = "image/jpeg"
    format = "jpg"
    render_style = "binary"
    charset = None

    def render(self, data: Any, *_: Any, **__: Any) -> Any:
        return data


class _Instant(serializers.DateTimeField):
    default_error_messages = {
        "offset": "Expected an instant with its offset from UTC (RFC 3339).",
        "out-of-range": f"Expected an instant of the years {FIRST_YEAR} to {LAST_YEAR}.",
    }

    def to_internal_value(self, value: Any) -> Any:
        if isinstance(value, str) and not _OFFSET.search(value):
            self.fail("offset")
        instant = super().to_internal_value(value)
        # At the ends of the calendar an instant has no local time everywhere, so no page could say it.
        if not FIRST_YEAR <= instant.year <= LAST_YEAR:
            self.fail("out-of-range")
        return instant


class PhotoSaid(Sent):
    """What the address says of the photo in the body."""

    id = serializers.UUIDField(help_text="Made by the sender; sending it again keeps nothing more.")
    taken_at = _Instant(help_text="With its offset from UTC.")
    unit = serializers.UUIDField(required=False, help_text="What it shows: a unit, a site, or both.")
    site = serializers.UUIDField(required=False)
    visit = serializers.UUIDField(required=False)
    touch = serializers.UUIDField(required=False)
    event = serializers.UUIDField(required=False, help_text="The event it belongs to; that may come later.")
    sha256 = serializers.RegexField(
        r"^[0-9a-f]{64}$",
        required=False,
        help_text="Of the body, in hex: one that was damaged on the way is then refused.",
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if "unit" not in attrs and "site" not in attrs:
            raise serializers.ValidationError({"unit": [ErrorDetail("Name a unit or a site.", "one-of")]})
        return attrs


class PhotoShown(serializers.Serializer[Photo]):
    id = serializers.UUIDField()
    unit = serializers.UUIDField(source="unit_id", allow_null=True)
    site = serializers.UUIDField(source="site_id", allow_null=True)
    visit = serializers.UUIDField(source="visit_id", allow_null=True)
    touch = serializers.UUIDField(source="touch_id", allow_null=True)
    event = serializers.UUIDField(source="event_id", allow_null=True)
    taken_at = serializers.DateTimeField()
    received_at = serializers.DateTimeField()
    sha256 = serializers.CharField(help_text="Of the bytes as they were sent.")
    width = serializers.IntegerField(help_text="In pixels, as it is kept.")
    height = serializers.IntegerField()


class Photos(OperatorView):
    permissions = {"POST": Permission.EVENTS_RECORD}
    keyless = True  # a photo has an id of its own: the same again gets the same answer
    serializer_class = PhotoShown
    parser_classes = [JpegBytes, PngBytes]
    http_method_names = ["post"]

    def query_names(self, method: str) -> frozenset[str]:
        return frozenset(PhotoSaid().fields)

    @extend_schema(request=_BODY, parameters=[PhotoSaid], responses={201: PhotoShown})
    def post(self, request: Request) -> Response:
        """Keep a photo: the body is a JPEG or PNG of up to 2 MB. It is kept as a JPEG of at most 1,600 pixels a side.

        What the camera wrote into it, such as the place, is dropped. The same again changes nothing and gets the same answer.
        """
        said = PhotoSaid(data=request.query_params.dict())
        said.is_valid(raise_exception=True)
        values = said.validated_data
        content = request.data if isinstance(request.data, bytes) else b""
        _refuse_damaged(content, values.get("sha256"))
        photo = add_photo(
            actor=self.actor,
            id=values["id"],
            content=content,
            taken_at=values["taken_at"],
            **{f"{name}_id": values.get(name) for name in ("unit", "site", "visit", "touch", "event")},
        )
        return Response(PhotoShown(photo).data, status=201)


def _refuse_damaged(content: bytes, digest: str | None) -> None:
    if digest is not None and len(content) <= MOST_BYTES and hashlib.sha256(content).hexdigest() != digest:
        wrong = _(
            "The photo was damaged on its way: its SHA-256 is another. Nothing was stored; send it again."
        )
        raise BadInput(wrong, errors=[Problem("/sha256", "damaged", wrong)])


class PhotoDoor(OperatorView):
    permissions = {"GET": Permission.EVENTS_READ}
    serializer_class = PhotoShown
    renderer_classes = [JpegForm, JSONRenderer]
    http_method_names = ["get", "head"]

    @extend_schema(
        parameters=[OpenApiParameter("photo_id", OpenApiTypes.UUID, OpenApiParameter.PATH)],
        responses={(200, "image/jpeg"): OpenApiTypes.BINARY},
    )
    def get(self, request: Request, photo_id: UUID) -> HttpResponse:
        """A photo, as a JPEG."""
        with tenancy.reading(self.actor):
            content = photo_content(photo_id)
        response = HttpResponse(content, content_type="image/jpeg")
        response["Cache-Control"] = KEPT
        response["Content-Disposition"] = f'inline; filename="photo-{photo_id}.jpg"'
        return response
