"""The API's doors: what every view of an operator does once, whichever app it is of."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from typing import Any, ClassVar

from django.conf import settings
from django.db.models import QuerySet
from django.http import HttpResponse, HttpResponseBase
from django_filters import BooleanFilter
from drf_spectacular.utils import PolymorphicProxySerializer
from rest_framework.exceptions import ErrorDetail, ValidationError
from rest_framework.generics import GenericAPIView, ListAPIView
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import BooleanField, CharField, DecimalField, Serializer, UUIDField

from accounts import limits, origin, tenancy
from accounts.doors.asking import query_problems
from accounts.doors.conditions import is_known, required_match, version_tag
from accounts.doors.keys import answer_once, key_of, refuse_keyless_program
from accounts.errors import BadInput, TooLarge, pointing_at_one
from accounts.languages import _
from accounts.permissions import Actor, Permission

__all__ = [
    "MOST_ROWS",
    "OperatorView",
    "RowView",
    "RowsView",
    "Sent",
    "add_sent",
    "one_or_many",
    "required_match",
    "sent_by",
    "version_tag",
]

MOST_ROWS = 1_000
PAGE_QUERY = frozenset({"limit", "after"})


class OperatorView(GenericAPIView[Any]):
    """One door of one operator. Reads are made and evaluated inside ``tenancy.reading``, and answered after it."""

    permissions: ClassVar[dict[str, Permission]] = {}
    http_method_names: Sequence[str] = ["get", "head", "post"]
    metadata_class = None
    filterset_class: ClassVar[Any] = None
    # A POST that takes no Idempotency-Key; a comment beside it says what makes it safe to send again.
    keyless: ClassVar[bool] = False
    # A POST that a program must send with one.
    needs_key: ClassVar[bool] = False
    # Bytes; a door that takes larger bodies has a parser that reads them.
    most_body: ClassVar[int] = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
    # What this request has drawn.
    _taken: limits.Taken | None = None

    @property
    def actor(self) -> Actor:
        actor = self.request.auth
        assert isinstance(actor, Actor), "the permission class lets nobody else in"
        return actor

    def perform_authentication(self, request: Request) -> None:
        """Who asks is counted before anything else is done for them; who they are not, by their address."""
        buckets = limits.of_address(request)
        try:
            super().perform_authentication(request)
            if isinstance(request.auth, Actor):
                buckets = limits.of_actor(request.auth)
                origin.acting(request.auth.kind, request.auth.id, request.auth.operator_id)
        finally:
            self._count(buckets)

    def _count(self, buckets: Sequence[limits.Bucket]) -> None:
        self._taken = limits.take(buckets)
        if not self._taken.is_let_in:
            limits.refused_lately.note(self.request, self._taken)
            raise self._taken.refusal()

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        self._refuse_odd_query(request)
        if request.method == "POST" and not self.keyless:
            self._take_key(request)

    def _take_key(self, request: Request) -> None:
        """Have this request's own handler wrapped, when it comes with a key."""
        key = key_of(request)
        handler = getattr(self, "post", None)
        if key is None and self.needs_key:
            refuse_keyless_program(request)
        if key is None or handler is None:
            return

        def once(request: Request, *args: Any, **names: Any) -> HttpResponseBase:
            return answer_once(
                request,
                self.actor,
                key,
                self.most_body,
                lambda: self._rendered(handler(request, *args, **names)),
            )

        vars(self)["post"] = once

    def _rendered(self, response: HttpResponse) -> HttpResponse:
        """The answer with its bytes made, as they will be sent."""
        if isinstance(response, Response):
            response.accepted_renderer = self.request.accepted_renderer
            response.accepted_media_type = self.request.accepted_media_type
            response.renderer_context = self.get_renderer_context()  # type: ignore[attr-defined]  # as DRF sets it
            response.render()
        return response

    def query_names(self, method: str) -> frozenset[str]:
        """The query parameters that a method knows."""
        return frozenset()

    def _refuse_odd_query(self, request: Request) -> None:
        filters = self.filterset_class.base_filters if self.filterset_class else {}
        yes_or_no = [name for name, one in filters.items() if isinstance(one, BooleanFilter)]
        problems = query_problems(request, self.query_names(str(request.method)), yes_or_no)
        if problems:
            raise BadInput(_("The address asks for something this does not know."), errors=problems)

    def not_modified(self, tag: str) -> bool:
        """Whether the reader has this version already, so that nothing need be made for it but ``tagged``'s 304."""
        return self.request.method in {"GET", "HEAD"} and is_known(self.request, tag)

    def tagged(self, response: Response, tag: str) -> Response:
        """The answer with its version's ETag; without a body (304) for a reader who has that version already."""
        if self.not_modified(tag):
            response = Response(status=304)
        response.headers["ETag"] = tag
        return response

    def finalize_response(self, request: Request, response: Any, *args: Any, **kwargs: Any) -> Any:
        response = super().finalize_response(request, response, *args, **kwargs)
        response.headers.setdefault("Cache-Control", "no-store")
        for name, value in (self._taken.headers() if self._taken else {}).items():
            response.headers[name] = value
        return response


class RowsView(OperatorView, ListAPIView[Any], ABC):
    """GET of many rows: filtered, in the order of ``ordering`` (a unique tuple of the rows' columns), a page at a time."""

    ordering: ClassVar[tuple[str, ...]] = ("id",)

    def query_names(self, method: str) -> frozenset[str]:
        if method not in {"GET", "HEAD"}:
            return frozenset()
        filters = self.filterset_class.base_filters if self.filterset_class else ()
        return PAGE_QUERY | frozenset(filters)

    @abstractmethod
    def rows(self) -> QuerySet[Any]:
        """All rows that this door may show; asked inside the scope."""

    def shown(self, page: Sequence[Any]) -> Sequence[Any]:
        """What is shown of a page's rows; asked inside the scope."""
        return page

    def list(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        with tenancy.reading(self.actor):
            page = self.paginate_queryset(self.filter_queryset(self.rows()))
            data = self.get_serializer(self.shown(list(page or ())), many=True).data
        return self.get_paginated_response(data)


class RowView(OperatorView, ABC):
    """GET of one row by what the address names."""

    @abstractmethod
    def row(self, **names: Any) -> Any:
        """The row, or NotFound; asked inside the scope."""

    def get(self, request: Request, **names: Any) -> Response:
        with tenancy.reading(self.actor):
            data = self.get_serializer(self.row(**names)).data
        return Response(data)


class Sent(Serializer[Any]):
    """What is sent to a door: an unknown field is refused, so that a slip of the pen is not lost in silence.

    So is what would be read as something else: a number for a text, which loses its zeros, or a word for yes or no.
    """

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, dict):
            problems = {
                name: [problem]
                for name, value in sorted(data.items())
                if (problem := self._mistaken(name, value)) is not None
            }
            if problems:
                raise ValidationError(problems)
        return super().to_internal_value(data)

    def _mistaken(self, name: str, value: Any) -> ErrorDetail | None:
        """What is wrong with a member that the fields themselves would let pass."""
        field = self.fields.get(name)
        if field is None:
            return ErrorDetail(_("There is no such field here."), "unknown-field")
        # An amount too: a number of JSON is a float to many readers, and a float loses cents.
        if isinstance(field, CharField | UUIDField | DecimalField) and isinstance(value, int | float):
            return ErrorDetail(_("Expected: a text."), "invalid")
        if (
            isinstance(field, BooleanField)
            and isinstance(value, int | float | str)
            and not isinstance(value, bool)
        ):
            return ErrorDetail(_("Expected: true or false."), "invalid")
        if isinstance(field, DecimalField) and isinstance(value, str) and not value.strip():
            return ErrorDetail(_("Expected: a number, or null where it may be left open."), "invalid")
        return None


def sent_by(request: Request, kind: type[Sent]) -> dict[str, Any]:
    """The body as its validated values; the refusal names every field that is wrong."""
    sent = kind(data=request.data)
    sent.is_valid(raise_exception=True)
    return sent.validated_data


def one_or_many(kind: type[Serializer[Any]]) -> PolymorphicProxySerializer:
    """One object or a list of them, for the documentation of a door that takes or gives either."""
    return PolymorphicProxySerializer(
        component_name=f"{kind.__name__}OneOrMany",
        serializers=[kind, kind(many=True)],
        resource_type_field_name=None,
        many=False,
    )


def add_sent(
    request: Request,
    kind: type[Sent],
    shown: type[Serializer[Any]],
    add: Callable[[list[dict[str, Any]]], Any],
) -> Response:
    """Answer a body of one object, or of a list of up to 1000, by what ``add`` makes of its values; all or none.

    The answer has the shape of the body, and so have the pointers of a refusal.
    """
    if not isinstance(request.data, list):
        with pointing_at_one():
            made = add([sent_by(request, kind)])
        return Response(shown(made[0]).data, status=201)
    if not 0 < len(request.data) <= MOST_ROWS:
        raise (TooLarge if request.data else BadInput)(
            _(
                "Send 1 to {most} at a time; these were {count}. Nothing was added.",
                most=MOST_ROWS,
                count=len(request.data),
            )
        )
    sent = kind(data=request.data, many=True)
    sent.is_valid(raise_exception=True)
    return Response(shown(add(sent.validated_data), many=True).data, status=201)
