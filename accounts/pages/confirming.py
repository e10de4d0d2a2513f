"""The question who is there, before pages on which much can be done with one click.

It is asked at the address of the page itself: whoever answers goes on where they were. What was typed into a form is carried
through the question and done after it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from django import forms
from django.http import HttpResponse, HttpResponseNotAllowed, HttpResponseRedirect, QueryDict
from django.shortcuts import render
from django.utils.translation import gettext_lazy

from accounts.commands import confirming
from accounts.errors import Refusal, TooMany
from accounts.pages.fields import say
from accounts.queries.confirming import has_confirmed
from accounts.queries.second_factor import has_second_factor

if TYPE_CHECKING:
    from accounts.pages.door import OperatorRequest

# Of a page: whether it asks, and whether already before it opens.
Recent = bool | Literal["to act"]
TO_ACT: Literal["to act"] = "to act"
PREFIX = "confirm"
# What the answer was given for: to open the page, or to do what its form said.
FOR = f"{PREFIX}-for"
OPEN, DO = "open", "do"
_CSRF = "csrfmiddlewaretoken"


class ConfirmForm(forms.Form):
    prefix = PREFIX
    password = forms.CharField(
        label=gettext_lazy("Your password"),
        strip=False,
        max_length=1024,
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
        error_messages={"required": gettext_lazy("Fill this in.")},
    )
    code = forms.CharField(
        label=gettext_lazy("Code that your authenticator shows, or a recovery code"),
        required=False,
        max_length=60,
        widget=forms.TextInput(attrs={"autocomplete": "one-time-code"}),
    )

    def __init__(self, *args: Any, with_code: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not with_code:
            del self.fields["code"]


def recently(request: OperatorRequest, methods: tuple[str, ...], recent: Recent) -> HttpResponse | None:
    """What to answer before the page: the question, or the way on after it. None lets the page answer.

    ``methods`` are the page's own. After the answer to a form's question, ``request.POST`` is that form again.
    """
    if request.method == "POST" and FOR in request.POST:
        return _answered(request, methods)
    if request.method not in methods:
        return HttpResponseNotAllowed(methods)
    is_act = request.method == "POST"
    if has_confirmed(request.session, to_act=is_act) or (recent == TO_ACT and not is_act):
        return None
    form = ConfirmForm(with_code=has_second_factor(request.user.id))
    return _ask(request, DO if is_act else OPEN, form, status=403)


def _answered(request: OperatorRequest, methods: tuple[str, ...]) -> HttpResponse | None:
    meant = DO if request.POST[FOR] == DO and "POST" in methods else OPEN
    form = ConfirmForm(request.POST, with_code=has_second_factor(request.user.id))
    if not form.is_valid():
        return _ask(request, meant, form, status=422)
    try:
        confirming.confirm(user_id=request.user.id, session=request.session, **form.cleaned_data)
    except Refusal as refusal:
        say(form, refusal, {"recovery": "code"})
        return waiting(_ask(request, meant, form, status=refusal.status), refusal)
    if meant == OPEN:
        return HttpResponseRedirect(request.get_full_path(), status=303)
    request.POST = _carried(request.POST)  # type: ignore[assignment]
    return None


def waiting(answer: HttpResponse, refusal: Refusal) -> HttpResponse:
    """The answer to a refused form, with how long to wait where that is why."""
    if isinstance(refusal, TooMany):
        answer["Retry-After"] = str(refusal.retry_after_seconds)
    return answer


def _ask(request: OperatorRequest, meant: str, form: ConfirmForm, *, status: int) -> HttpResponse:
    page: dict[str, Any] = {"form": form, "meant": meant, "for_name": FOR}
    if meant == DO:
        page["carried"] = [
            (name, value) for name, values in _carried(request.POST).lists() for value in values
        ]
        # A file can't be carried by a page.
        page["files"] = bool(request.FILES)
    return render(request, "accounts/confirm.html", page, status=status)


def _carried(posted: QueryDict) -> QueryDict:
    """A form without what belongs to the question."""
    kept = posted.copy()
    for name in posted:
        if name == _CSRF or name.startswith(f"{PREFIX}-"):
            del kept[name]
    kept._mutable = False  # noqa: SLF001 - as the request's own
    return kept
