"""Having the operator closed, and withdrawing it."""

from __future__ import annotations

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext_lazy

from accounts.commands import closing as commands
from accounts.errors import Refusal
from accounts.pages.confirming import TO_ACT
from accounts.pages.door import OperatorRequest, operator_page
from accounts.pages.fields import Text, say
from accounts.permissions import Permission


class CloseForm(forms.Form):
    slug = Text(
        label=gettext_lazy("The operator's address, as it stands in the addresses of these pages"),
        max_length=60,
        attrs={"autocapitalize": "none", "spellcheck": "false"},
    )


@operator_page(Permission.OPERATOR_CLOSE, "GET", "HEAD", "POST", recent=TO_ACT)
def close_operator(request: OperatorRequest) -> HttpResponse:
    """What closing means, and the form that asks for it; once it is asked, until when it can be withdrawn."""
    form = CloseForm(request.POST if request.method == "POST" else None)
    status = 200
    if form.is_bound:
        status = 422
        if form.is_valid():
            try:
                commands.ask_to_close(actor=request.actor, slug=form.cleaned_data["slug"])
            except Refusal as refusal:
                say(form, refusal)
                status = refusal.status
            else:
                return redirect("close-operator", slug=request.operator.slug)
    page = {"form": form, "days": commands.DAYS}
    return render(request, "accounts/close.html", page, status=status)


@operator_page(Permission.OPERATOR_CLOSE, "POST")
def withdraw_closing(request: OperatorRequest) -> HttpResponse:
    commands.withdraw_closing(actor=request.actor)
    return redirect("close-operator", slug=request.operator.slug)
