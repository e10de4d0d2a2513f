"""What an operation says beyond what its serializers do: its name, its words, who may call it, its headers and problems."""

from __future__ import annotations

from typing import Any

from drf_spectacular.openapi import AutoSchema
from drf_spectacular.plumbing import get_doc
from rest_framework.generics import ListAPIView

from accounts.doors import OperatorView, Sent
from accounts.doors.versions import VersionedRowView
from config.schema import examples, headers, problems
from config.schema.credentials import credentials_for
from config.schema.filters import ScopedFilters
from config.schema.naming import name_of, sentence_of, tag_of, title_of
from config.schema.words import is_general, said_of

# Known to the generator once it is imported.
__all__ = ["Operation", "ScopedFilters"]

PREFIX = "/api/v1/"


class Operation(AutoSchema):
    """The schema class of every view."""

    def get_operation(self, *args: Any, **kwargs: Any) -> dict[str, Any] | None:
        operation = super().get_operation(*args, **kwargs)
        if operation is None:
            return None
        for status in self._problems():
            operation["responses"].setdefault(str(status), problems.reference(status))
        self._need_body(operation.get("requestBody", {}))
        self._add_headers(operation)
        self._add_parameters(operation)
        examples.put_into(operation)
        return operation

    def get_operation_id(self) -> str:
        path = self.path.removeprefix(PREFIX)
        return name_of(self.method, path, rows=self.method == "GET" and isinstance(self.view, ListAPIView))

    def get_tags(self) -> list[str]:
        return [tag_of(self.path.removeprefix(PREFIX))]

    def get_summary(self) -> str:
        return title_of(self.get_operation_id())

    def get_description(self) -> str:  # type: ignore[override]
        return said_of(self.view, self.method) or sentence_of(self.get_operation_id())

    def get_auth(self) -> list[dict[str, list[str]]]:
        assert isinstance(self.view, OperatorView), "every other door stands outside the document"
        return credentials_for(self.view.permissions[self.method])

    def _map_basic_serializer(self, serializer: Any, direction: Any) -> Any:
        """What is sent is closed: a door refuses a field that it does not know."""
        schema = super()._map_basic_serializer(serializer, direction)
        kind = serializer if isinstance(serializer, type) else type(serializer)
        if is_general(get_doc(kind)):
            schema.pop("description", None)
        if issubclass(kind, Sent):
            schema["additionalProperties"] = False
        return schema

    def _need_body(self, body: dict[str, Any]) -> None:
        """Lists and files are needed; an object is as soon as one of its members is, which the generator sees by itself."""
        names = [content["schema"].get("$ref", "") for content in body.get("content", {}).values()]
        if names and all(not name or name.endswith(("OneOrManyRequest", "UploadRequest")) for name in names):
            body["required"] = True

    def _problems(self) -> list[int]:
        wanted = list(problems.ALWAYS)
        if self.method != "GET":
            wanted += problems.WRITING
            wanted += problems.WITH_BODY
        if self._takes_match():
            wanted += problems.CONDITIONAL
        if getattr(self.view, "may_be_gone", False):
            wanted += problems.AGEING
        if getattr(self.view, "may_be_early", False):
            wanted += problems.EARLY
        return [status for status in sorted(wanted) if problems.known(status)]

    def _add_headers(self, operation: dict[str, Any]) -> None:
        """To the answers that say yes; the problems' have theirs in the components."""
        names = [*headers.LIMITS]
        if self._has_tag():
            names.append("ETag")
        if self._takes_key():
            names.append("Idempotency-Replayed")
        for status, answer in operation["responses"].items():
            if status.startswith("2"):
                answer["description"] = answer["description"] or "Done."
                later = ["Location"] if status == "202" else []
                if later and "201" in operation["responses"]:
                    later.append("Preference-Applied")
                own = {name: headers.header(name) for name in (*names, *later)}
                answer["headers"] = {**own, **answer.get("headers", {})}

    def _add_parameters(self, operation: dict[str, Any]) -> None:
        names = []
        if self._takes_key():
            needed = getattr(self.view, "needs_key", False)
            names.append("IdempotencyKeyOfPrograms" if needed else "IdempotencyKey")
        if self._has_tag() and self.method == "GET":
            names.append("IfNoneMatch")
            operation["responses"]["304"] = {
                "description": "What you have is the newest.",
                "headers": {name: headers.header(name) for name in (*headers.LIMITS, "ETag")},
            }
        if self._takes_match():
            names.append("IfMatch")
        if names:
            operation.setdefault("parameters", []).extend(headers.parameter(name) for name in names)

    def _has_tag(self) -> bool:
        """Whether what is answered has the ETag of its version."""
        versioned = isinstance(self.view, VersionedRowView) or getattr(self.view, "versioned", False)
        return versioned and self.method != "DELETE"

    def _takes_match(self) -> bool:
        """Whether it changes what has a version: programs say which one they saw."""
        return isinstance(self.view, VersionedRowView) and self.method != "GET"

    def _takes_key(self) -> bool:
        return self.method == "POST" and not getattr(self.view, "keyless", False)
