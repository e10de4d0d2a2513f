"""Filters read from their own declarations: a queryset can't be made outside an operator's scope."""

from __future__ import annotations

from typing import Any

from drf_spectacular.contrib.django_filters import DjangoFilterExtension


class ScopedFilters(DjangoFilterExtension):
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
