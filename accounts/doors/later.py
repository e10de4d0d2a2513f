"""What takes longer than a request may: done by a worker when the caller prefers so (RFC 7240 section 4.1), and told of at its address."""

from __future__ import annotations

from django.urls import reverse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts import tenancy
from accounts.jobs.kinds import KINDS
from accounts.jobs.long import LongWork
from accounts.permissions import Actor
from accounts.queries import work as queries
from accounts.queries.work import STATES, Shown

PREFERENCE = "respond-async"
PREFER = OpenApiParameter(
    "Prefer",
    OpenApiTypes.STR,
    OpenApiParameter.HEADER,
    description=(
        f"`{PREFERENCE}` (RFC 7240): a worker does it, and the answer is 202 with the address of the work in `Location`."
    ),
)


class WorkShown(serializers.Serializer[Shown]):
    id = serializers.UUIDField()
    kind = serializers.ChoiceField([kind.word for kind in KINDS.values()], source="word")
    about = serializers.CharField(source="ref", help_text="Of a month its name, such as 2026-06.")
    state = serializers.ChoiceField(
        STATES,
        help_text="`failed` without `ended_at`: it was tried often enough, and waits for a person to have it tried again.",
    )
    done = serializers.IntegerField(help_text="Steps done.")
    of = serializers.IntegerField(help_text="Steps in all; 0 until it is known.")
    said = serializers.CharField(help_text="Why it was refused, in the operator's language; else empty.")
    asked_by = serializers.CharField(source="asked_name")
    asked_at = serializers.DateTimeField()
    begun_at = serializers.DateTimeField(allow_null=True)
    ended_at = serializers.DateTimeField(allow_null=True)
    result = serializers.JSONField(
        help_text="What came of it so far. Of a month: `id`, that of the close or of the preview."
    )


def is_preferred(request: Request) -> bool:
    """Whether the caller would rather not wait."""
    preferences = request.headers.get("Prefer", "").split(",")
    return any(one.partition(";")[0].strip().lower() == PREFERENCE for one in preferences)


def accepted(actor: Actor, work: LongWork) -> Response:
    """202, the work as it is, and where it is told how far it is."""
    with tenancy.reading(actor):
        shown = queries.shown([queries.get_work(actor, work.id)])[0]
    headers = {
        "Location": reverse("api-work-one", kwargs={"work_id": work.id}),
        "Preference-Applied": PREFERENCE,
    }
    return Response(WorkShown(shown).data, status=202, headers=headers)
