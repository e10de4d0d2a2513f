"""Personal text by API: a phone files it here, and its event names the id and the hash that come back."""

from __future__ import annotations

from uuid import UUID

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.doors import OperatorView, RowView, Sent, sent_by
from accounts.permissions import Permission
from servicing.commands.personal import MOST_SAID, MOST_WHO, file_text
from servicing.queries import personal
from servicing.queries.personal import KnownText


class TextSent(Sent):
    who = serializers.CharField(
        required=False, allow_blank=True, default="", help_text=f"Who said it, up to {MOST_WHO} characters."
    )
    said = serializers.CharField(
        required=False,
        allow_blank=True,
        default="",
        help_text=f"What they said, up to {MOST_SAID} characters. Nothing about anybody's health.",
    )
    person = serializers.UUIDField(
        required=False,
        help_text="Whose text it is, as an earlier answer named them; somebody new when left out.",
    )
    id = serializers.UUIDField(
        required=False, help_text="The text's own id; give one to send this safely twice."
    )


class FiledShown(serializers.Serializer[KnownText]):
    id = serializers.UUIDField(source="text_id", help_text="For text_id of report.received, version 2.")
    hash = serializers.CharField(help_text="Of the ciphertext: for text_hash of report.received.")
    person = serializers.UUIDField(source="person_id")


class TextShown(FiledShown):
    state = serializers.ChoiceField(["readable", "erased", "sealed"])
    who = serializers.CharField(help_text="Empty unless it is readable.")
    said = serializers.CharField(help_text="Empty unless it is readable.")
    filed_at = serializers.DateTimeField()
    erased_at = serializers.DateTimeField(allow_null=True)


class PersonalTexts(OperatorView):
    permissions = {"POST": Permission.EVENTS_RECORD}
    serializer_class = FiledShown
    http_method_names = ["post"]

    @extend_schema(request=TextSent, responses={201: FiledShown})
    def post(self, request: Request) -> Response:
        """Keep who said something and what, encrypted and apart from the log. An owner can erase it for good."""
        sent = sent_by(request, TextSent)
        text = file_text(
            actor=self.actor,
            who=sent["who"],
            said=sent["said"],
            person_id=sent.get("person"),
            id=sent.get("id"),
        )
        return Response(FiledShown(text).data, status=201)


class PersonalTextDoor(RowView):
    """What somebody said, or that it was erased."""

    permissions = {"GET": Permission.TEXTS_READ}
    serializer_class = TextShown

    def row(self, text_id: UUID) -> KnownText:  # type: ignore[override]
        return personal.get_text(text_id)
