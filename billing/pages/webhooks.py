"""Webhooks: where programs are told of changes, what was sent there and what came of it, and what to do when it fails."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django import forms
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from accounts import clock, tenancy
from accounts.errors import Refusal
from accounts.languages import N_, _, _n
from accounts.pages import TO_ACT, OperatorRequest, operator_page, say
from accounts.permissions import Permission
from billing.commands.webhooks import endpoints, replaying
from billing.commands.webhooks.endpoints import MOST_DESCRIPTION, MOST_URL, Made
from billing.models import WebhookAttempt, WebhookDelivery, WebhookEndpoint
from billing.pages import fields
from billing.queries import webhooks
from billing.rules.webhooks import outcomes, words

PAGE_SIZE = 50
MANAGE = Permission.INTEGRATIONS_MANAGE
OVERLAPS = [
    ("24", N_("Signs as well for a day")),
    ("168", N_("Signs as well for a week")),
    ("0", N_("Ends at once")),
]
WHICH = [("failed", N_("Those that did not arrive")), ("all", N_("All of them"))]
DONE = {
    "saved": N_("The endpoint is saved."),
    "stopped": N_("Nothing is sent there any more. What changes meanwhile is kept for it."),
    "started": N_("It runs again: what waited and what changed meanwhile is on its way."),
    "removed": N_("The endpoint is removed, and its secret is forgotten."),
    "tested": N_(
        "A test message is on its way. Below stands what comes of it; load the page again in a minute."
    ),
    "replayed": N_(
        "It is on its way once more. Below stands what comes of it; load the page again in a minute."
    ),
}


class EndpointForm(forms.Form):
    """Where it is and what it wants to know."""

    url = fields.text(
        N_("Address"),
        MOST_URL,
        help_text=N_("Begins with https://. Whoever runs the program names it to you."),
        inputmode="url",
    )
    description = fields.text(
        N_("What it is for"), MOST_DESCRIPTION, required=False, help_text=N_("So that you know it again.")
    )
    kinds = forms.MultipleChoiceField(
        label=fields.later(N_("It is told of")),
        choices=fields.words(words.KINDS.items()),
        required=False,
        help_text=fields.later(N_("None ticked: of all of them but alerts.")),
        widget=forms.CheckboxSelectMultiple,
    )


class RotateForm(forms.Form):
    overlap = fields.choice(N_("The secret before"), fields.words(OVERLAPS))


class ReplayForm(forms.Form):
    """Which messages are sent once more; the time is the operator's own."""

    since = forms.DateTimeField(
        label=fields.later(N_("Made since")),
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        input_formats=["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"],
        error_messages=dict.fromkeys(
            ("required", "invalid"), fields.later(N_("Enter a day and a time, such as 2026-07-01 14:00."))
        ),
    )
    which = fields.choice(N_("Which"), fields.words(WHICH))

    def since_in(self, zone: str) -> datetime:
        typed: datetime = self.cleaned_data["since"]
        return typed.replace(tzinfo=ZoneInfo(zone))


@operator_page(MANAGE)
def webhook_list(request: OperatorRequest) -> HttpResponse:
    """All endpoints, each with how it stands."""
    with tenancy.reading(request.actor):
        found = list(webhooks.endpoints())
        counts = webhooks.counts_by_state(found)
    page = {
        "rows": [(one, counts[one.id], _standing(one)) for one in found],
        "stopped": [one for one in found if one.stopped_why in {"failing", "gone"}],
        "done": _(DONE.get(request.GET.get("done", ""), "")),
    }
    return render(request, "billing/webhooks.html", page)


def _standing(endpoint: WebhookEndpoint) -> str:
    """How an endpoint stands, in a word or two."""
    if endpoint.stopped_at is not None:
        return _("stopped")
    return _("fails") if endpoint.failing_since else _("runs")


@operator_page(MANAGE, "GET", "HEAD", "POST", recent=True)
def new_webhook(request: OperatorRequest) -> HttpResponse:
    """A new endpoint. The answer shows its secret; it is not shown again."""
    form = EndpointForm(request.POST if request.method == "POST" else None)
    if request.method != "POST":
        return render(request, "billing/new_webhook.html", {"form": form})
    if not form.is_valid():
        return render(request, "billing/new_webhook.html", {"form": form}, status=422)
    try:
        made = endpoints.add_endpoint(actor=request.actor, **form.cleaned_data)
    except Refusal as refusal:
        say(form, refusal)
        return render(request, "billing/new_webhook.html", {"form": form}, status=refusal.status)
    return _show_secret(request, made)


def _show_secret(request: OperatorRequest, made: Made) -> HttpResponse:
    return render(request, "billing/webhook_secret.html", {"endpoint": made.endpoint, "secret": made.secret})


@operator_page(MANAGE, "GET", "HEAD", "POST", recent=TO_ACT)
def webhook(request: OperatorRequest, endpoint_id: UUID) -> HttpResponse:
    """One endpoint: how it stands, what was sent there, and its settings, which are saved here."""
    if request.method != "POST":
        return _show(request, endpoint_id)
    form = EndpointForm(request.POST)
    if not form.is_valid():
        return _show(request, endpoint_id, form=form, status=422)
    try:
        endpoints.change_endpoint(actor=request.actor, endpoint_id=endpoint_id, **form.cleaned_data)
    except Refusal as refusal:
        say(form, refusal)
        return _show(request, endpoint_id, form=form, status=refusal.status)
    return _back(request, endpoint_id, "saved")


def _show(request: OperatorRequest, endpoint_id: UUID, *, status: int = 200, **typed: Any) -> HttpResponse:
    """The page of an endpoint; ``typed``: forms as they were sent, or a refusal to say."""
    state = request.GET.get("state", "")
    zone = request.operator.zone
    with tenancy.reading(request.actor):
        endpoint = webhooks.get_endpoint(endpoint_id)
        counts = webhooks.counts_by_state([endpoint])[endpoint_id]
        rows = webhooks.deliveries(endpoint_id)
        if state in webhooks.STATES:
            rows = rows.filter(webhooks.STATES[state])
        part = Paginator(rows, PAGE_SIZE).get_page(request.GET.get("page"))
        found = list(part.object_list)
        last = webhooks.last_attempts([one.id for one in found])
    now = clock.now().astimezone(ZoneInfo(zone)).replace(second=0, microsecond=0, tzinfo=None)
    initial = {"url": endpoint.url, "description": endpoint.description, "kinds": endpoint.kinds}
    page = {
        "endpoint": endpoint,
        "answer": _answer(endpoint, counts),
        "stopped": _(words.STOPPED.get(endpoint.stopped_why, "")) if endpoint.stopped_at else "",
        "both_sign": endpoint.before_until and endpoint.before_until > clock.now(),
        "rows": [_told(one, last.get(one.id)) for one in found],
        "part": part,
        "state": state,
        "states": [(name, _(word), counts[name]) for name, word in words.STATES.items()],
        "query": f"state={state}" if state in webhooks.STATES else "",
        "form": EndpointForm(initial=initial),
        "rotate_form": RotateForm(),
        "replay_form": ReplayForm(initial={"since": now.replace(hour=0, minute=0), "which": "failed"}),
        "done": _(DONE.get(request.GET.get("done", ""), "")),
        **typed,
    }
    return render(request, "billing/webhook.html", page, status=status)


def _answer(endpoint: WebhookEndpoint, counts: dict[str, int]) -> str:
    """How it stands, in a sentence."""
    if endpoint.stopped_at is not None:
        return _("Nothing is sent to this endpoint: it is stopped.")
    if endpoint.failing_since is not None:
        return _n(
            "The last message did not arrive, and {count} waits.",
            "The last message did not arrive, and {count} wait.",
            counts["waiting"],
        )
    if not endpoint.sequence:
        return _("Nothing was sent yet: a message goes out with the next change.")
    if not counts["delivered"]:
        return _("No message arrived here lately.")
    return _n(
        "{count} message arrived here lately.", "{count} messages arrived here lately.", counts["delivered"]
    )


def _told(one: WebhookDelivery, last: WebhookAttempt | None) -> dict[str, Any]:
    return {
        "one": one,
        "what": words.type_words(one.type),
        "state": _(words.STATES[webhooks.state_of(one)]),
        "said": outcomes.sentence(last.outcome, last.detail, last.status) if last else "",
    }


@operator_page(MANAGE, "POST", recent=True)
def rotate_webhook(request: OperatorRequest, endpoint_id: UUID) -> HttpResponse:
    """A new secret, shown in the answer and not again."""
    form = RotateForm(request.POST)
    if not form.is_valid():
        return _show(request, endpoint_id, rotate_form=form, status=422)
    try:
        made = endpoints.rotate_secret(
            actor=request.actor, endpoint_id=endpoint_id, overlap_hours=int(form.cleaned_data["overlap"])
        )
    except Refusal as refusal:
        form.add_error("overlap", refusal.detail)
        return _show(request, endpoint_id, rotate_form=form, status=refusal.status)
    return _show_secret(request, made)


@operator_page(MANAGE, "POST")
def stop_webhook(request: OperatorRequest, endpoint_id: UUID) -> HttpResponse:
    endpoints.stop_endpoint(actor=request.actor, endpoint_id=endpoint_id)
    return _back(request, endpoint_id, "stopped")


@operator_page(MANAGE, "POST")
def start_webhook(request: OperatorRequest, endpoint_id: UUID) -> HttpResponse:
    endpoints.start_endpoint(actor=request.actor, endpoint_id=endpoint_id)
    return _back(request, endpoint_id, "started")


@operator_page(MANAGE, "POST")
def remove_webhook(request: OperatorRequest, endpoint_id: UUID) -> HttpResponse:
    endpoints.remove_endpoint(actor=request.actor, endpoint_id=endpoint_id)
    return redirect(f"{reverse('webhooks', args=[request.operator.slug])}?done=removed")


@operator_page(MANAGE, "POST")
def test_webhook(request: OperatorRequest, endpoint_id: UUID) -> HttpResponse:
    try:
        replaying.send_test(actor=request.actor, endpoint_id=endpoint_id)
    except Refusal as refusal:
        return _show(request, endpoint_id, refusal=refusal, status=refusal.status)
    return _back(request, endpoint_id, "tested")


@operator_page(MANAGE, "POST")
def replay_webhook(request: OperatorRequest, endpoint_id: UUID) -> HttpResponse:
    """Send what was made since a time once more."""
    form = ReplayForm(request.POST)
    if not form.is_valid():
        return _show(request, endpoint_id, replay_form=form, status=422)
    try:
        count = replaying.replay_since(
            actor=request.actor,
            endpoint_id=endpoint_id,
            since=form.since_in(request.operator.zone),
            failed_only=form.cleaned_data["which"] == "failed",
        )
    except Refusal as refusal:
        say(form, refusal)
        return _show(request, endpoint_id, replay_form=form, status=refusal.status)
    if not count:
        form.add_error("since", _("There is no such message. Choose an earlier time, or all of them."))
        return _show(request, endpoint_id, replay_form=form, status=422)
    return _back(request, endpoint_id, "replayed")


@operator_page(MANAGE, "GET", "HEAD", "POST")
def webhook_delivery(request: OperatorRequest, endpoint_id: UUID, delivery_id: UUID) -> HttpResponse:
    """One message with each attempt to deliver it; posting sends it once more."""
    refusal = None
    if request.method == "POST":
        try:
            replaying.replay(actor=request.actor, endpoint_id=endpoint_id, delivery_id=delivery_id)
        except Refusal as why:
            refusal = why
        else:
            address = reverse("webhook-delivery", args=[request.operator.slug, endpoint_id, delivery_id])
            return redirect(f"{address}?done=replayed")
    with tenancy.reading(request.actor):
        endpoint = webhooks.get_endpoint(endpoint_id)
        delivery = webhooks.get_delivery(endpoint_id, delivery_id)
        attempts = webhooks.attempts_of([delivery_id])[delivery_id]
    page = {
        "endpoint": endpoint,
        "told": _told(delivery, attempts[-1] if attempts else None),
        "one": delivery,
        "attempts": [(one, outcomes.sentence(one.outcome, one.detail, one.status)) for one in attempts],
        "refusal": refusal,
        "done": _(DONE.get(request.GET.get("done", ""), "")),
    }
    return render(request, "billing/webhook_delivery.html", page, status=refusal.status if refusal else 200)


def _back(request: OperatorRequest, endpoint_id: UUID, done: str) -> HttpResponse:
    return redirect(f"{reverse('webhook', args=[request.operator.slug, endpoint_id])}?done={done}")
