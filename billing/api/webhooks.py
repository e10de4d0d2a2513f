"""The API of webhooks: where programs are told of changes, what was sent there, and sending it once more."""

from __future__ import annotations

from typing import Any, ClassVar

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.doors import OperatorView, RowsView, RowView, Sent, sent_by
from accounts.doors.instants import InstantFilter
from accounts.permissions import Permission
from billing.commands.webhooks import endpoints, replaying
from billing.commands.webhooks.endpoints import MOST_DESCRIPTION, MOST_OVERLAP, MOST_URL, USUAL_OVERLAP
from billing.models import WebhookAttempt, WebhookDelivery, WebhookEndpoint
from billing.models.webhooks import WEBHOOK_KINDS
from billing.queries import webhooks
from billing.rules.webhooks import outcomes

STOPPED_WHY = ("by_hand", "failing", "gone")


class WebhookEndpointSent(Sent):
    url = serializers.CharField(
        max_length=MOST_URL, help_text="An https:// address on the internet, port 443 or 8443."
    )
    description = serializers.CharField(max_length=MOST_DESCRIPTION, required=False, allow_blank=True)
    kinds = serializers.ListField(
        child=serializers.ChoiceField(WEBHOOK_KINDS),
        required=False,
        max_length=len(WEBHOOK_KINDS),
        help_text="Of which things it is told; left out or empty: of all that the feed tells of. Of alerts only by name.",
    )


class WebhookEndpointPut(WebhookEndpointSent):
    live = serializers.BooleanField(
        required=False,
        help_text="Whether messages are sent there; left out: as it is. Started again, it gets what it missed.",
    )


class WebhookEndpointShown(serializers.Serializer[WebhookEndpoint]):
    id = serializers.UUIDField()
    url = serializers.CharField()
    description = serializers.CharField()
    kinds = serializers.ListField(
        child=serializers.ChoiceField(WEBHOOK_KINDS),
        help_text="Of which things it is told; empty: of all that the feed tells of.",
    )
    live = serializers.SerializerMethodField(help_text="Whether messages are sent there.")
    stopped_at = serializers.DateTimeField(allow_null=True)
    stopped_why = serializers.ChoiceField(
        STOPPED_WHY,
        allow_blank=True,
        help_text="Empty while it is live. `failing`: for five days nothing arrived; `gone`: it answered 410.",
    )
    failing_since = serializers.DateTimeField(
        allow_null=True, help_text="The first failure since the last message that arrived."
    )
    secret_before_until = serializers.DateTimeField(
        source="before_until", allow_null=True, help_text="Until when the secret before signs as well."
    )
    sequence = serializers.IntegerField(help_text="Of the last message made for it.")
    made_at = serializers.DateTimeField()

    def get_live(self, endpoint: WebhookEndpoint) -> bool:
        return endpoint.stopped_at is None


class WebhookEndpointMade(WebhookEndpointShown):
    secret = serializers.CharField(
        help_text="What signs its messages (Standard Webhooks). It is shown in this answer and never again."
    )


class SecretRotationSent(Sent):
    overlap_hours = serializers.IntegerField(
        min_value=0,
        max_value=MOST_OVERLAP,
        required=False,
        help_text=f"How long the secret before signs as well; {USUAL_OVERLAP} unless given, 0: it ends at once.",
    )


class WebhookAttemptShown(serializers.Serializer[WebhookAttempt]):
    number = serializers.IntegerField(min_value=1)
    began_at = serializers.DateTimeField()
    milliseconds = serializers.IntegerField(min_value=0)
    status = serializers.IntegerField(
        allow_null=True, help_text="The receiver's HTTP status; null: no answer."
    )
    outcome = serializers.ChoiceField(WebhookAttempt.OUTCOMES)
    said = serializers.SerializerMethodField(help_text="What came of it, in a sentence.")

    def get_said(self, attempt: WebhookAttempt) -> str:
        return outcomes.sentence(attempt.outcome, attempt.detail, attempt.status)


class WebhookDeliveryShown(serializers.Serializer[WebhookDelivery]):
    id = serializers.UUIDField()
    message_id = serializers.CharField(
        help_text="The `webhook-id` of each attempt and replay, by which a repeat is known."
    )
    sequence = serializers.IntegerField(min_value=1)
    type = serializers.CharField(help_text="Such as `invoice.changed`.")
    state = serializers.SerializerMethodField()
    made_at = serializers.DateTimeField()
    attempts = serializers.IntegerField(min_value=0, help_text="How many were made.")
    next_at = serializers.DateTimeField(allow_null=True, help_text="When it is tried next; null: no more.")
    delivered_at = serializers.DateTimeField(allow_null=True)
    given_up_at = serializers.DateTimeField(allow_null=True)

    def get_state(self, delivery: WebhookDelivery) -> str:
        return webhooks.state_of(delivery)


class WebhookDeliveryWhole(WebhookDeliveryShown):
    body = serializers.CharField(help_text="What is sent, to the byte.")
    log = WebhookAttemptShown(many=True, help_text="Each attempt, the first one first.")


class ReplaySent(Sent):
    since = serializers.DateTimeField(help_text="Messages made at or after this instant.")
    failed_only = serializers.BooleanField(required=False, help_text="Those that did not arrive; else all.")


class ReplayShown(serializers.Serializer[dict[str, int]]):
    replayed = serializers.IntegerField(min_value=0, help_text="How many messages are sent once more.")


class DeliveryFilter(filters.FilterSet):
    state = filters.ChoiceFilter(choices=[(one, one) for one in webhooks.STATES], method="by_state")
    type = filters.CharFilter("type", help_text="Such as `invoice.changed`.")
    made_from = InstantFilter("made_at", lookup_expr="gte")

    def by_state(self, rows: QuerySet[WebhookDelivery], name: str, value: str) -> QuerySet[WebhookDelivery]:
        return rows.filter(webhooks.STATES[value])


class WebhookEndpoints(RowsView):
    """Where programs are told that something changed. The messages only hint: the feed of changes is the truth."""

    permissions = {"GET": Permission.INTEGRATIONS_MANAGE, "POST": Permission.INTEGRATIONS_MANAGE}
    recent = ("POST",)
    serializer_class = WebhookEndpointShown

    def rows(self) -> QuerySet[WebhookEndpoint]:
        return webhooks.endpoints()

    @extend_schema(request=WebhookEndpointSent, responses={201: WebhookEndpointMade})
    def post(self, request: Request) -> Response:
        """Tell an address of every change from now on. The answer has its signing secret, once."""
        made = endpoints.add_endpoint(actor=self.actor, **sent_by(request, WebhookEndpointSent))
        return Response(_made(made), status=201)


class WebhookEndpointDoor(RowView):
    """One endpoint. Nothing shows its secret."""

    permissions: ClassVar = dict.fromkeys(("GET", "PUT", "DELETE"), Permission.INTEGRATIONS_MANAGE)
    recent = ("PUT", "DELETE")
    serializer_class = WebhookEndpointShown
    http_method_names = ["get", "head", "put", "delete"]

    def row(self, endpoint_id: Any) -> WebhookEndpoint:  # type: ignore[override]
        return webhooks.get_endpoint(endpoint_id)

    @extend_schema(request=WebhookEndpointPut, responses={200: WebhookEndpointShown})
    def put(self, request: Request, endpoint_id: Any) -> Response:
        """Set where it is and what it wants; stop it or start it again."""
        sent = sent_by(request, WebhookEndpointPut)
        endpoint = endpoints.change_endpoint(actor=self.actor, endpoint_id=endpoint_id, **sent)
        return Response(WebhookEndpointShown(endpoint).data)

    @extend_schema(responses={204: None})
    def delete(self, request: Request, endpoint_id: Any) -> Response:
        """End it for good. Its secrets are forgotten, and what waits for it is given up."""
        endpoints.remove_endpoint(actor=self.actor, endpoint_id=endpoint_id)
        return Response(status=204)


class WebhookRotation(OperatorView):
    permissions = {"POST": Permission.INTEGRATIONS_MANAGE}
    recent = ("POST",)
    serializer_class = WebhookEndpointMade
    http_method_names = ["post"]

    @extend_schema(request=SecretRotationSent, responses={201: WebhookEndpointMade})
    def post(self, request: Request, endpoint_id: Any) -> Response:
        """Make a new secret. The one before signs as well for a while, so that no message is lost over it."""
        sent = sent_by(request, SecretRotationSent)
        made = endpoints.rotate_secret(actor=self.actor, endpoint_id=endpoint_id, **sent)
        return Response(_made(made), status=201)


class WebhookTest(OperatorView):
    permissions = {"POST": Permission.INTEGRATIONS_MANAGE}
    serializer_class = WebhookDeliveryShown
    http_method_names = ["post"]

    @extend_schema(request=None, responses={201: WebhookDeliveryShown})
    def post(self, request: Request, endpoint_id: Any) -> Response:
        """Send a message of the type `endpoint.test`, which says nothing more."""
        sent_by(request, Sent)
        delivery = replaying.send_test(actor=self.actor, endpoint_id=endpoint_id)
        return Response(WebhookDeliveryShown(delivery).data, status=201)


class WebhookDeliveries(RowsView):
    """What was sent to an endpoint or waits to be, the latest first."""

    permissions = {"GET": Permission.INTEGRATIONS_MANAGE}
    serializer_class = WebhookDeliveryShown
    filterset_class = DeliveryFilter
    ordering = ("-sequence",)

    def rows(self) -> QuerySet[WebhookDelivery]:
        return webhooks.deliveries(webhooks.get_endpoint(self.kwargs["endpoint_id"]).id)


class WebhookDeliveryDoor(RowView):
    """One message with its bytes and each attempt to deliver it."""

    permissions = {"GET": Permission.INTEGRATIONS_MANAGE}
    serializer_class = WebhookDeliveryWhole

    def row(self, endpoint_id: Any, delivery_id: Any) -> WebhookDelivery:  # type: ignore[override]
        webhooks.get_endpoint(endpoint_id)
        delivery = webhooks.get_delivery(endpoint_id, delivery_id)
        delivery.log = webhooks.attempts_of([delivery.id])[delivery.id]  # type: ignore[attr-defined]
        return delivery


class WebhookReplay(OperatorView):
    permissions = {"POST": Permission.INTEGRATIONS_MANAGE}
    serializer_class = WebhookDeliveryShown
    http_method_names = ["post"]

    @extend_schema(request=None, responses={201: WebhookDeliveryShown})
    def post(self, request: Request, endpoint_id: Any, delivery_id: Any) -> Response:
        """Send one message once more, under the same `webhook-id`."""
        sent_by(request, Sent)
        delivery = replaying.replay(actor=self.actor, endpoint_id=endpoint_id, delivery_id=delivery_id)
        return Response(WebhookDeliveryShown(delivery).data, status=201)


class WebhookReplays(OperatorView):
    permissions = {"POST": Permission.INTEGRATIONS_MANAGE}
    serializer_class = ReplayShown
    http_method_names = ["post"]

    @extend_schema(request=ReplaySent, responses={201: ReplayShown})
    def post(self, request: Request, endpoint_id: Any) -> Response:
        """Send all messages since an instant once more, each under its own `webhook-id` and in their order."""
        sent = sent_by(request, ReplaySent)
        count = replaying.replay_since(actor=self.actor, endpoint_id=endpoint_id, **sent)
        return Response({"replayed": count}, status=201)


def _made(made: endpoints.Made) -> dict[str, Any]:
    return {**WebhookEndpointShown(made.endpoint).data, "secret": made.secret}
