"""The API of imports: a file of rows is sent and looked at by the workers, then its good rows are imported."""

from __future__ import annotations

from collections.abc import Mapping
from typing import IO, Any
from uuid import UUID

from django.http import HttpResponse
from django.urls import reverse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.parsers import BaseParser
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import tenancy
from accounts.doors import OperatorView, RowView, Sent, sent_by
from accounts.permissions import Permission, require
from servicing.commands import importing
from servicing.commands.importing import KINDS, MOST_BYTES
from servicing.queries import imports
from servicing.queries.imports import STATES, Import

CSV_TYPE = "text/csv"
_BODY = {kind: {"type": "string", "format": "binary"} for kind in (CSV_TYPE, importing.workbooks.MEDIA_TYPE)}
MOST_NAME = 120


class CsvBytes(BaseParser):
    """The body as it is, a byte more than allowed at most: that tells one that is too long."""

    media_type = CSV_TYPE

    def parse(  # type: ignore[override]
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> bytes:
        return bytes(stream.read(MOST_BYTES + 1))


class WorkbookBytes(CsvBytes):
    media_type = importing.workbooks.MEDIA_TYPE


class CsvForm(BaseRenderer):
    """For an answer that is a file of rows."""

    media_type = CSV_TYPE
    format = "csv"
    charset = None
    render_style = "binary"

    def render(self, data: Any, *_: Any, **__: Any) -> Any:
        return data


class ImportSaid(Sent):
    """What the address says of the file in the body."""

    kind = serializers.ChoiceField(list(KINDS), help_text="What is in the file.")
    name = serializers.CharField(
        max_length=MOST_NAME, required=False, help_text="What the file is called, for people."
    )


class ImportSent(Sent):
    only_if_all_good = serializers.BooleanField(
        required=False, help_text="Import nothing when any row is wrong."
    )


class CountsShown(serializers.Serializer[Any]):
    new = serializers.IntegerField(help_text="Rows that are good and new; after the import, those it stored.")
    there = serializers.IntegerField(help_text="Rows that say only what is there already.")
    wrong = serializers.IntegerField(help_text="Rows that are left out.")


class WrongRowShown(serializers.Serializer[Any]):
    line = serializers.IntegerField(help_text="The line of the file.")
    says = serializers.CharField()
    reasons = serializers.ListField(child=serializers.CharField())


class ImportShown(serializers.Serializer[Import]):
    id = serializers.UUIDField()
    kind = serializers.ChoiceField(list(KINDS))
    name = serializers.CharField()
    state = serializers.ChoiceField(
        STATES, help_text="An import that was refused, cancelled or failed may be asked for again."
    )
    work = serializers.UUIDField(
        source="work.id", help_text="The piece of long work that tells of it: the look, or the import."
    )
    done = serializers.IntegerField(source="work.done", help_text="Steps that are done.")
    of = serializers.IntegerField(source="work.of", help_text="Steps in all; 0 until that is known.")
    said = serializers.CharField(source="work.said", help_text="Why it was refused.")
    rows = serializers.IntegerField()
    counts = CountsShown(allow_null=True, help_text="Null until all rows were looked at.")
    notes = serializers.ListField(
        child=serializers.CharField(), help_text="What of the file was passed over, such as hidden sheets."
    )
    wrong_rows = WrongRowShown(many=True, help_text="The first 200; the file of them has them all.")


class Imports(OperatorView):
    permissions = {"POST": Permission.FLEET_MANAGE}
    serializer_class = ImportShown
    parser_classes = [CsvBytes, WorkbookBytes]
    http_method_names = ["post"]
    most_body = MOST_BYTES

    def query_names(self, method: str) -> frozenset[str]:
        return frozenset(ImportSaid().fields)

    @extend_schema(request=_BODY, parameters=[ImportSaid], responses={202: ImportShown})
    def post(self, request: Request) -> Response:
        """Send a file of rows, CSV in UTF-8 or an XLSX workbook, of up to 100,000 rows and 20 MB. Nothing of it is imported yet.

        The workers read it and say of each row what would be made of it; the address in `Location` tells how far they are.
        What is wrong with the file as a whole is said there too. Formulas are not worked out, and of a workbook one sheet
        is read. The same file sent again while it is looked at is that one.
        """
        said = ImportSaid(data=request.query_params.dict())
        said.is_valid(raise_exception=True)
        content = request.data if isinstance(request.data, bytes) else b""
        values = said.validated_data
        look_id = importing.begin_look(
            actor=self.actor, kind=values["kind"], content=content, name=values.get("name", "")
        )
        return _answered(self, look_id, 202)


class ImportDoor(RowView):
    permissions = {"GET": Permission.FLEET_MANAGE}
    serializer_class = ImportShown
    http_method_names = ["get", "head"]

    def row(self, **names: Any) -> Import:
        found = imports.get_import(self.actor, names["import_id"])
        require(self.actor, importing.permission_for(found.kind))
        return found


class ImportCarryingOut(OperatorView):
    permissions = {"POST": Permission.FLEET_MANAGE}
    serializer_class = ImportShown
    http_method_names = ["post"]

    @extend_schema(request=ImportSent, responses={202: ImportShown})
    def post(self, request: Request, import_id: UUID) -> Response:
        """Import the good rows of a file that was looked at, or none when `only_if_all_good` and any is wrong.

        Its rows are judged anew, then what is new is stored all at once; how units stood is recorded after that, at most a
        hundred at a time. 409 before the look has ended. Asked for again it makes nothing twice.
        """
        sent = sent_by(request, ImportSent)
        importing.begin_import(actor=self.actor, look_id=import_id, **sent)
        return _answered(self, import_id, 202)


class ImportLeftOut(OperatorView):
    permissions = {"GET": Permission.FLEET_MANAGE}
    renderer_classes = [CsvForm, JSONRenderer]
    http_method_names = ["get", "head"]

    @extend_schema(
        parameters=[OpenApiParameter("import_id", OpenApiTypes.UUID, OpenApiParameter.PATH)],
        responses={(200, CSV_TYPE): OpenApiTypes.STR},
    )
    def get(self, request: Request, import_id: UUID) -> HttpResponse:
        """The rows that are left out, as a CSV file of the same columns with the reasons in another: to correct and send again.

        Kept for 30 days after the end.
        """
        with tenancy.reading(self.actor):
            told_by = imports.get_import(self.actor, import_id).told_by
        kind, text = importing.left_out_file(actor=self.actor, work_id=told_by)
        response = HttpResponse(text.encode(), content_type=f"{CSV_TYPE}; charset=utf-8")
        response["Content-Disposition"] = f'attachment; filename="{kind}-left-out.csv"'
        return response


def _answered(view: OperatorView, look_id: UUID, status: int) -> Response:
    with tenancy.reading(view.actor):
        data = ImportShown(imports.get_import(view.actor, look_id)).data
    location = reverse("api-import", kwargs={"import_id": look_id})
    return Response(data, status=status, headers={"Location": location})
