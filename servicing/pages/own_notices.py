"""What a person is told of alerts by mail: chosen on their own page, with the last mails they were sent."""

from __future__ import annotations

from typing import Any

from django import forms
from django.conf import settings
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext_lazy

from accounts import queries as accounts
from accounts import tenancy
from accounts.commands.mailing import UNSENT_BACKEND
from accounts.errors import Refusal
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page, say
from accounts.pages.fields import Choice, words_of
from accounts.permissions import Permission
from servicing.commands import notice_wishes
from servicing.models import NoticeWish
from servicing.queries import noticing
from servicing.rules.notices import ALERT_KINDS, URGENT_KINDS, WORDS

SHOWN = 10
OUTCOMES = {"": N_("on its way"), "sent": N_("sent"), "failed": N_("not sent")}
KINDS = {"digest": N_("Of the day"), "urgent": N_("Urgent")}


def _kinds(kinds: tuple[str, ...]) -> Any:
    return lambda: words_of((kind, WORDS[kind]) for kind in kinds)


def _at(name: Any, **more: Any) -> forms.TimeField:
    return forms.TimeField(
        label=name,
        required=False,
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
        input_formats=["%H:%M", "%H:%M:%S"],
        error_messages={"invalid": gettext_lazy("Enter a time, such as 22:00.")},
        **more,
    )


class WishForm(forms.Form):
    is_daily = forms.BooleanField(label=gettext_lazy("One mail a day"), required=False)
    hour = Choice(
        label=gettext_lazy("From what hour on"),
        choices=[(str(hour), f"{hour:02}:00") for hour in range(24)],
        help_text=gettext_lazy(
            "By the clock of the sites; each zone in which you have sites has its own mail."
        ),
    )
    kinds = forms.MultipleChoiceField(
        label=gettext_lazy("It tells of"),
        choices=_kinds(ALERT_KINDS),
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )
    only_news = forms.BooleanField(
        label=gettext_lazy("Only on days with something new"),
        required=False,
    )
    urgent = forms.MultipleChoiceField(
        label=gettext_lazy("At once, as it happens"),
        choices=_kinds(URGENT_KINDS),
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text=gettext_lazy(
            "Each with a mail of its own. In quiet hours they wait, and come as one mail after."
        ),
    )
    quiet_from = _at(
        gettext_lazy("Quiet from"), help_text=gettext_lazy("By the operator's clock; may lead over midnight.")
    )
    quiet_until = _at(gettext_lazy("Quiet until"))
    crew = Choice(label=gettext_lazy("Sites of which crew"), required=False)

    def __init__(self, *args: Any, crews: list[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["crew"].choices = [("", _("all sites")), *crews]  # type: ignore[attr-defined]

    def wish(self) -> dict[str, Any]:
        values = dict(self.cleaned_data)
        values["hour"] = int(values["hour"])
        values["crew_id"] = values.pop("crew") or None
        return values


@operator_page(Permission.OWN_SETTINGS, "GET", "HEAD", "POST")
def own_notices(request: OperatorRequest) -> HttpResponse:
    with tenancy.reading(request.actor):
        wish = noticing.wish_of(request.actor.id)  # type: ignore[arg-type]
        crews = [
            (str(crew.id), crew.name)
            for crew in accounts.crews()
            if crew.is_active or crew.id == wish.crew_id
        ]
        sent = noticing.last_notices(request.actor.id, SHOWN)  # type: ignore[arg-type]
    form = WishForm(request.POST if request.method == "POST" else None, crews=crews, initial=_initial(wish))
    status = 200
    if form.is_bound:
        status = 422
        if form.is_valid():
            try:
                notice_wishes.set_wish(actor=request.actor, **form.wish())
            except Refusal as refusal:
                say(form, refusal, {"crew_id": "crew"})
                status = refusal.status
            else:
                return redirect("own-notices", slug=request.operator.slug)
    page = {
        "form": form,
        "sees_none": not request.actor.may(Permission.ALERTS_READ),
        "is_unsent": settings.EMAIL_BACKEND == UNSENT_BACKEND,
        "sent": [(one, _(KINDS[one.kind]), _(OUTCOMES[one.outcome])) for one in sent],
    }
    return render(request, "servicing/own_notices.html", page, status=status)


def _initial(wish: NoticeWish) -> dict[str, Any]:
    names = ("is_daily", "only_news", "kinds", "urgent", "quiet_from", "quiet_until")
    return {name: getattr(wish, name) for name in names} | {
        "hour": str(wish.hour),
        "crew": str(wish.crew_id) if wish.crew_id else "",
    }
