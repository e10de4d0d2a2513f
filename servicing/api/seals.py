"""The seals of the log, and the proof that one holds an event. How a customer checks it: docs/proof.md."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from rest_framework import serializers

from accounts.doors import RowsView, RowView
from accounts.permissions import Permission
from servicing.models import Seal
from servicing.queries import seals
from servicing.queries.seals import Proof
from servicing.rules.seals import Reason


class SealShown(serializers.Serializer[Any]):
    operator_id = serializers.CharField()
    number = serializers.IntegerField(help_text="From 1, without gaps.")
    first_position = serializers.IntegerField()
    last_position = serializers.IntegerField()
    count = serializers.IntegerField(help_text="Events in this block.")
    total = serializers.IntegerField(help_text="Events up to the last one of this block.")
    root = serializers.CharField(help_text="The Merkle root (RFC 9162), hexadecimal.")  # type: ignore[assignment]
    previous_hash = serializers.CharField(help_text="The seal before; zeros before the first.")
    sealed_at = serializers.CharField(help_text="As it was hashed.")
    reason = serializers.ChoiceField([str(one) for one in Reason])
    seal_hash = serializers.CharField(help_text="SHA-256 of all the other members in their canonical form.")


class ProofShown(serializers.Serializer[Proof]):
    event = serializers.DictField(help_text="Every column of the stored event, as it was hashed.")
    index = serializers.IntegerField(help_text="The event's place in its block, from 0.")
    path = serializers.ListField(child=serializers.CharField(), help_text="The audit path, nearest first.")
    seals = SealShown(many=True, help_text="The seal of the event's block and every later one.")


class Seals(RowsView):
    """The seals of the log. Keep the newest one's hash elsewhere: it then vouches for every event up to it."""

    permissions = {"GET": Permission.EVENTS_READ}
    serializer_class = SealShown
    ordering = ("number",)

    def rows(self) -> QuerySet[Seal]:
        return seals.seals()

    def shown(self, page: Sequence[Any]) -> Sequence[Any]:
        return [seals.seal_content(seal) for seal in page]


class ServiceEventProof(RowView):
    """The proof that a sealed block holds this event; 409 while none does."""

    permissions = {"GET": Permission.EVENTS_READ}
    serializer_class = ProofShown
    may_be_early = True  # so the description says 409

    def row(self, event_id: UUID) -> Proof:  # type: ignore[override]
        return seals.get_proof(event_id)
