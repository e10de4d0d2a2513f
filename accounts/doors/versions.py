"""Doors of one row whose changes are counted: its ETag is of the version that is stored."""

from __future__ import annotations

from typing import Any, ClassVar

from rest_framework.request import Request
from rest_framework.response import Response

from accounts import tenancy
from accounts.doors import RowView
from accounts.doors.conditions import version_tag
from accounts.queries.versions import version_of


class VersionedRowView(RowView):
    """GET of one row with the ETag of its version; 304 without a body for a reader who has that version already.

    Row and version are of one moment: a tag never stands on what it is not of.
    """

    kind: ClassVar[str]
    read_at_once: ClassVar[tuple[str, ...]] = ("accounts_customer",)

    def get(self, request: Request, **names: Any) -> Response:
        with tenancy.operator_scope(
            self.actor.operator_id, read_only=True, one_snapshot_of=self.read_at_once
        ):
            row = self.row(**names)
            tag = self.tag_of(row)
            data = None if self.not_modified(tag) else self.get_serializer(row).data
        return self.tagged(Response(data), tag)

    def tag_of(self, row: Any) -> str:
        """The ETag of a row; asked inside the scope."""
        return version_tag(self.kind, row.id, version_of(self.kind, row.id))
