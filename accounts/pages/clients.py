"""The programs that use the API: what each may do, its secrets, and who changed what of it. For owners."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext_lazy

from accounts import clock, phrases, queries, tenancy
from accounts.commands import clients
from accounts.errors import Refusal
from accounts.languages import N_, _
from accounts.models import ClientChange, ClientSecret, MachineClient
from accounts.pages.confirming import TO_ACT
from accounts.pages.door import OperatorRequest, operator_page
from accounts.pages.fields import Choice, Choices, Text, say, words_of
from accounts.permissions import PROGRAM_SCOPES, Permission

OVERLAPS = {
    "day": N_("Works for a day more"),
    "week": N_("Works for a week more"),
    "none": N_("Ends at once"),
}
READ = ":read"


def _scopes() -> Choices:
    return [(scope.value, _(words)) for scope, words in PROGRAM_SCOPES.items()]


def _overlaps() -> Choices:
    return words_of(OVERLAPS.items())


class ProgramForm(forms.Form):
    name = Text(
        label=gettext_lazy("Name of the program"),
        max_length=clients.MOST_NAME,
        help_text=gettext_lazy("So that you know it again, such as Ledger of the tax adviser."),
    )
    scopes = forms.MultipleChoiceField(
        label=gettext_lazy("What it may do"),
        choices=_scopes,
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": gettext_lazy("Choose at least one thing that the program may do.")},
    )

    def groups(self) -> list[tuple[str, list[Any]]]:
        """The boxes to tick: those that only read, then those that change something."""
        boxes = list(self["scopes"])
        return [
            (_("It may read"), [box for box in boxes if box.data["value"].endswith(READ)]),
            (_("It may change"), [box for box in boxes if not box.data["value"].endswith(READ)]),
        ]


class SecretForm(forms.Form):
    overlap = Choice(label=gettext_lazy("The secret before"), choices=_overlaps)


@operator_page(Permission.INTEGRATIONS_MANAGE)
def programs(request: OperatorRequest) -> HttpResponse:
    with tenancy.reading(request.actor):
        found = list(queries.programs())
    page = {
        "at_work": [one for one in found if one.revoked_at is None],
        "revoked": [one for one in found if one.revoked_at is not None],
    }
    return render(request, "accounts/clients.html", page)


@operator_page(Permission.INTEGRATIONS_MANAGE, "GET", "HEAD", "POST", recent=True)
def new_program(request: OperatorRequest) -> HttpResponse:
    """The answer shows the secret; it is kept nowhere in readable form."""
    form, status = ProgramForm(request.POST if request.method == "POST" else None), 200
    if form.is_bound:
        status = 422
        if form.is_valid():
            try:
                client, secret = clients.make_client(actor=request.actor, **form.cleaned_data)
            except Refusal as refusal:
                say(form, refusal)
                status = refusal.status
            else:
                return _show_secret(request, client, secret)
    return render(request, "accounts/client_new.html", {"form": form}, status=status)


def _show_secret(request: OperatorRequest, client: MachineClient, secret: str) -> HttpResponse:
    return render(
        request,
        "accounts/client_secret.html",
        {"client": client, "secret": secret, "token_at": _token_at(request)},
    )


def _token_at(request: OperatorRequest) -> str:
    return request.build_absolute_uri(reverse("oauth2_provider:token"))


@operator_page(Permission.INTEGRATIONS_MANAGE, "GET", "HEAD", "POST", recent=TO_ACT)
def program(request: OperatorRequest, client_uuid: UUID) -> HttpResponse:
    """One program; posted to, it gets another name or other scopes."""
    if request.method != "POST":
        return _show(request, client_uuid)
    form = ProgramForm(request.POST)
    if not form.is_valid():
        return _show(request, client_uuid, form=form, status=422)
    try:
        clients.change_client(actor=request.actor, client_uuid=client_uuid, **form.cleaned_data)
    except Refusal as refusal:
        say(form, refusal)
        return _show(request, client_uuid, form=form, status=refusal.status)
    return redirect("program", slug=request.operator.slug, client_uuid=client_uuid)


@operator_page(Permission.INTEGRATIONS_MANAGE, "GET", "HEAD", "POST", recent=True)
def new_program_secret(request: OperatorRequest, client_uuid: UUID) -> HttpResponse:
    if request.method != "POST":
        return _show(request, client_uuid)
    form = SecretForm(request.POST)
    if not form.is_valid():
        return _show(request, client_uuid, secret_form=form, status=422)
    try:
        client, secret = clients.make_secret(
            actor=request.actor, client_uuid=client_uuid, overlap=form.cleaned_data["overlap"]
        )
    except Refusal as refusal:
        say(form, refusal)
        return _show(request, client_uuid, secret_form=form, status=refusal.status)
    return _show_secret(request, client, secret)


@operator_page(Permission.INTEGRATIONS_MANAGE, "POST", recent=True)
def end_program_secret(request: OperatorRequest, client_uuid: UUID, secret_id: UUID) -> HttpResponse:
    clients.end_secret(actor=request.actor, client_uuid=client_uuid, secret_id=secret_id)
    return redirect("program", slug=request.operator.slug, client_uuid=client_uuid)


@operator_page(Permission.INTEGRATIONS_MANAGE, "POST", recent=True)
def revoke_program(request: OperatorRequest, client_uuid: UUID) -> HttpResponse:
    clients.revoke_client(actor=request.actor, client_uuid=client_uuid)
    return redirect("program", slug=request.operator.slug, client_uuid=client_uuid)


def _show(
    request: OperatorRequest, client_uuid: UUID, *, status: int = 200, **filled: forms.Form
) -> HttpResponse:
    now = clock.now()
    with tenancy.reading(request.actor):
        client = queries.program(client_uuid)
        secrets = list(queries.secrets_of(client))
        changes = list(queries.changes_of(client))
    is_at_work = client.revoked_at is None
    page = {
        "client": client,
        "secrets": [one for one in secrets if is_at_work and _is_live(one, now)],
        "changes": [(one, _said(one, request.operator.zone)) for one in changes],
        "token_at": _token_at(request),
        "form": ProgramForm(initial={"name": client.name, "scopes": client.scopes}),
        "secret_form": SecretForm(),
        **filled,
    }
    return render(request, "accounts/client.html", page, status=status)


def _is_live(secret: ClientSecret, now: datetime) -> bool:
    return secret.ends_at is None or now < secret.ends_at


def _said(change: ClientChange, zone: str) -> str:
    """What was changed, as a sentence."""
    about = change.about
    if change.what in {"made", "changed"}:
        said = N_("Made as {name}, with: {scopes}.")
        if change.what == "changed":
            said = N_("Changed: it is called {name}, with: {scopes}.")
        return _(said, name=about["name"], scopes=", ".join(about["scopes"]))
    if change.what == "secret_ends":
        ends_at = phrases.instant(datetime.fromisoformat(about["ends_at"]), zone)
        return _("The secret that ends with {hint} works until {at}.", hint=about["hint"], at=ends_at)
    if change.what == "secret_made":
        return _("A secret made, which ends with {hint}.", hint=about["hint"])
    if change.what == "secret_ended":
        return _("The secret that ends with {hint} ended at once.", hint=about["hint"])
    return _("Revoked.")
