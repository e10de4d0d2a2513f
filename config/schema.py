"""What the generated OpenAPI document can't see in the views: credentials, filters without a scope, and problems."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from django.conf import settings
from drf_spectacular.contrib.django_filters import DjangoFilterExtension
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from drf_spectacular.views import SpectacularJSONAPIView

from accounts.authentication import OPERATOR_HEADER
from config.errors import MEDIA_TYPE, PROBLEM_TYPES

PROBLEM_SCHEMA = {
    "type": "object",
    "description": "A problem document by RFC 9457.",
    "required": ["type", "title", "status", "detail", "instance", "errors"],
    "properties": {
        "type": {"type": "string", "enum": [f"/problems/{code}" for code in PROBLEM_TYPES]},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "instance": {"type": "string"},
        "errors": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["pointer", "code", "detail"],
                "properties": {
                    "pointer": {
                        "type": "string",
                        "description": "A JSON pointer (RFC 6901) into what was sent; for a query parameter its name.",
                    },
                    "code": {"type": "string"},
                    "detail": {"type": "string"},
                },
            },
        },
    },
}
ANY_OPERATION = (400, 401, 403, 404, 405, 406, 429, 500, 503)
WITH_BODY = (409, 413, 415)


class BearerScheme(OpenApiAuthenticationExtension):
    target_class = "accounts.authentication.BearerToken"
    name = "bearer"

    def get_security_definition(self, auto_schema: Any) -> dict[str, Any]:
        return {"type": "http", "scheme": "bearer", "description": "A phone's token, or a program's."}


class SessionScheme(OpenApiAuthenticationExtension):
    target_class = "accounts.authentication.MemberSession"
    name = ["session", "operator"]

    def get_security_requirement(self, auto_schema: Any) -> dict[str, list[Any]]:
        return {"session": [], "operator": []}

    def get_security_definition(self, auto_schema: Any) -> list[dict[str, Any]]:
        return [
            {"type": "apiKey", "in": "cookie", "name": settings.SESSION_COOKIE_NAME},
            {
                "type": "apiKey",
                "in": "header",
                "name": OPERATOR_HEADER,
                "description": "The address part of the operator that a signed-in person acts for.",
            },
        ]


class ScopedFilters(DjangoFilterExtension):
    """Filters read from their own declarations: a queryset can't be made outside an operator's scope."""

    target_class = "django_filters.rest_framework.DjangoFilterBackend"
    match_subclasses = True
    priority = 1

    def get_schema_operation_parameters(
        self, auto_schema: Any, *args: Any, **kwargs: Any
    ) -> list[dict[str, Any]]:
        filterset = auto_schema.view.filterset_class
        declared = filterset.base_filters.items() if filterset else ()
        return [
            parameter
            for name, one in declared
            for parameter in self.resolve_filter_field(auto_schema, None, filterset, name, one)
        ]


def complete(result: dict[str, Any], generator: Any, request: Any, public: bool) -> dict[str, Any]:  # noqa: FBT001
    """Add the problem documents of every operation, and make the decimals' patterns refuse an empty string."""
    components = result.setdefault("components", {})
    components.setdefault("schemas", {})["Problem"] = PROBLEM_SCHEMA
    for path in result["paths"].values():
        for method, operation in path.items():
            for status in ANY_OPERATION + (WITH_BODY if method == "post" else ()):
                operation["responses"].setdefault(str(status), _problem(status))
    _tighten(components["schemas"])
    return result


def _problem(status: int) -> dict[str, Any]:
    return {
        "description": HTTPStatus(status).phrase,
        "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
    }


def _tighten(node: Any) -> None:
    if isinstance(node, dict):
        if node.get("format") == "decimal" and "pattern" in node:
            node["pattern"] = node["pattern"].replace(r"\d{0,", r"\d{1,")
        for inner in node.values():
            _tighten(inner)
    elif isinstance(node, list):
        for inner in node:
            _tighten(inner)


class Schema(SpectacularJSONAPIView):
    """The OpenAPI document: the same for everyone, and nothing of any operator in it."""

    authentication_classes = ()
    permission_classes = ()
