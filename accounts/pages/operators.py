"""The operator's own page, and what each member sets for themselves."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext_lazy

from accounts import languages, queries, tenancy
from accounts.commands import operators, people
from accounts.errors import Refusal
from accounts.languages import LOCALES, _
from accounts.pages import wording
from accounts.pages.door import OperatorRequest, operator_page
from accounts.pages.fields import Choice, Text, say
from accounts.permissions import Permission


class OperatorForm(forms.Form):
    name = Text(label=gettext_lazy("Name, as it stands on pages"), max_length=120)
    legal_name = Text(label=gettext_lazy("Legal name"), max_length=200)
    locale = Choice(
        label=gettext_lazy("Language, dates and numbers"),
        choices=wording.locales,
        help_text=gettext_lazy(
            "Of documents, mails and pages; members may choose another for their own pages."
        ),
    )
    measures = Choice(label=gettext_lazy("Units on pages"), choices=wording.measures)


class OwnForm(forms.Form):
    locale = Choice(label=gettext_lazy("Language of your pages"), required=False)

    def __init__(self, *args: Any, usual: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        as_operator = _("As the operator: {language}", language=LOCALES[languages.known_locale(usual)])
        self.fields["locale"].choices = [("", as_operator), *LOCALES.items()]  # type: ignore[attr-defined]


@operator_page(Permission.OPERATOR_MANAGE, "GET", "HEAD", "POST")
def operator(request: OperatorRequest) -> HttpResponse:
    own = request.operator
    initial = {
        "name": own.name,
        "legal_name": own.legal_name,
        "locale": languages.known_locale(own.locale),
        "measures": own.measures,
    }
    form = OperatorForm(request.POST if request.method == "POST" else None, initial=initial)
    status = 200
    if form.is_bound:
        status = 422
        if form.is_valid():
            try:
                operators.change_operator(actor=request.actor, **form.cleaned_data)
            except Refusal as refusal:
                say(form, refusal)
                status = refusal.status
            else:
                return redirect("operator", slug=own.slug)
    return render(request, "accounts/operator.html", {"form": form}, status=status)


@operator_page(Permission.OWN_SETTINGS, "GET", "HEAD", "POST")
def me(request: OperatorRequest) -> HttpResponse:
    """Whoever is signed in: the language of their pages, and the way out."""
    with tenancy.reading(request.actor):
        member = queries.get_member(request.actor.id)  # type: ignore[arg-type]
    usual = request.operator.locale
    form = OwnForm(
        request.POST if request.method == "POST" else None, usual=usual, initial={"locale": member.locale}
    )
    if form.is_bound and form.is_valid():
        people.set_own_locale(actor=request.actor, locale=form.cleaned_data["locale"])
        return redirect("me", slug=request.operator.slug)
    page = {
        "member": member,
        "role": wording.role(member.role),
        "form": form,
        "may_be_told": request.actor.may(Permission.ALERTS_READ),
    }
    return render(request, "accounts/me.html", page, status=422 if form.is_bound else 200)
