"""People: who is a member in which role, invitations, and the page on which an invitation is taken up."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from accounts import queries, tenancy
from accounts.commands import invitations, people, second_factor
from accounts.commands.passwords import NO_PASSWORD
from accounts.errors import Refusal
from accounts.languages import _
from accounts.models import Member
from accounts.pages import wording
from accounts.pages.confirming import TO_ACT
from accounts.pages.door import OperatorRequest, operator_page
from accounts.pages.fields import Choice, Choices, Text, say
from accounts.pages.second_factor import enter
from accounts.permissions import Permission, Role, home_of, system_actor
from accounts.queries.second_factor import has_second_factor, is_ours_alone


class MemberForm(forms.Form):
    name = Text(label=gettext_lazy("Name"), max_length=120)
    role = Choice(label=gettext_lazy("Role"), choices=wording.roles, initial=Role.DISPATCHER)
    crew = Choice(label=gettext_lazy("Crew"), required=False)

    def __init__(self, *args: Any, crews: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["crew"].choices = [("", _("no crew")), *crews]  # type: ignore[attr-defined]

    def values(self) -> dict[str, Any]:
        """As commands take them."""
        found = dict(self.cleaned_data)
        crew = found.pop("crew")
        return {**found, "role": Role(found["role"]), "crew_id": UUID(crew) if crew else None}


class InviteForm(MemberForm):
    email = forms.EmailField(
        label=gettext_lazy("E-mail address, by which they sign in"),
        max_length=254,
        widget=forms.EmailInput(attrs={"autocomplete": "off"}),
    )
    field_order = ("email", "name", "role", "crew")


class PasswordForm(forms.Form):
    password = forms.CharField(
        label=gettext_lazy("Password"),
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text=gettext_lazy("At least twelve characters; a few words are easy to remember."),
    )
    again = forms.CharField(
        label=gettext_lazy("The same again"),
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        if values.get("password") and values.get("again") and values["password"] != values["again"]:
            self.add_error("again", _("The two passwords differ."))
        return values


@operator_page(Permission.MEMBERS_MANAGE)
def members(request: OperatorRequest) -> HttpResponse:
    return _members(request)


@operator_page(Permission.MEMBERS_MANAGE, "GET", "HEAD", "POST", recent=TO_ACT)
def invite(request: OperatorRequest) -> HttpResponse:
    """The answer shows the link; it is not shown again."""
    if request.method != "POST":
        return _members(request)
    form = InviteForm(request.POST, crews=_crews(request))
    if not form.is_valid():
        return _members(request, form, status=422)
    try:
        invited = people.invite_member(actor=request.actor, **form.values())
    except Refusal as refusal:
        say(form, refusal)
        return _members(request, form, status=refusal.status)
    return _show_link(request, invited)


@operator_page(Permission.MEMBERS_MANAGE, "POST", recent=True)
def invite_again(request: OperatorRequest, member_id: UUID) -> HttpResponse:
    return _show_link(request, people.invite_again(actor=request.actor, member_id=member_id))


def _show_link(request: OperatorRequest, invited: people.Invited) -> HttpResponse:
    with tenancy.reading(request.actor):
        person = queries.get_user(invited.member.user_id)
    path = invitations.path_of(invited.member)
    page = {
        "member": invited.member,
        "person": person,
        "link": request.build_absolute_uri(path),
        "is_mailed": invitations.is_mailed(),
    }
    return render(request, "accounts/invited.html", page)


@operator_page(Permission.MEMBERS_MANAGE, "GET", "HEAD", "POST", recent=TO_ACT)
def member(request: OperatorRequest, member_id: UUID) -> HttpResponse:
    with tenancy.reading(request.actor):
        found = queries.get_member(member_id)
        person = queries.get_user(found.user_id)
    form = MemberForm(
        request.POST if request.method == "POST" else None,
        crews=_crews(request, found.crew_id),
        initial={"name": found.name, "role": found.role, "crew": str(found.crew_id or "")},
    )
    status = 200
    if form.is_bound:
        status = 422
        if form.is_valid():
            try:
                people.change_member(actor=request.actor, member_id=member_id, **form.values())
            except Refusal as refusal:
                say(form, refusal)
                status = refusal.status
            else:
                return redirect("members", slug=request.operator.slug)
    has_one = has_second_factor(person.id)
    page = {"member": found, "person": person, "form": form, "has_second_factor": has_one}
    page["may_reset"] = has_one and found.id != request.actor.id and is_ours_alone(request.actor, person)
    return render(request, "accounts/member.html", page, status=status)


@operator_page(Permission.MEMBERS_MANAGE, "POST", recent=True)
def reset_second_factor(request: OperatorRequest, member_id: UUID) -> HttpResponse:
    """For a member who lost it."""
    second_factor.reset_of_member(actor=request.actor, member_id=member_id)
    return redirect("member", slug=request.operator.slug, member_id=member_id)


@operator_page(Permission.MEMBERS_MANAGE, "POST", recent=True)
def deactivate_member(request: OperatorRequest, member_id: UUID) -> HttpResponse:
    people.deactivate_member(actor=request.actor, member_id=member_id)
    return redirect("members", slug=request.operator.slug)


def _crews(request: OperatorRequest, stays: UUID | None = None) -> Choices:
    with tenancy.reading(request.actor):
        return [(str(one.id), one.name) for one in queries.crews() if one.is_active or one.id == stays]


def _members(request: OperatorRequest, form: InviteForm | None = None, *, status: int = 200) -> HttpResponse:
    with tenancy.reading(request.actor):
        found = list(queries.members().select_related("crew"))
    rows = [(one, wording.role(one.role)) for one in found]
    page = {
        "members": [row for row in rows if row[0].is_active],
        "invited": [row for row in rows if row[0].invited_at],
        "former": [row for row in rows if not row[0].is_active and not row[0].invited_at],
        "form": form or InviteForm(crews=_crews(request)),
        "may_erase_texts": request.actor.may(Permission.TEXTS_ERASE),
    }
    return render(request, "accounts/members.html", page, status=status)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def invitation(request: HttpRequest, token: str) -> HttpResponse:
    """What an invitation's link opens: a first password, or the word of whoever is signed in already."""
    found = invitations.read_token(token)
    with tenancy.reading(system_actor(found.operator_id)):
        invited = invitations.invited_member(found)
        person, operator = queries.get_user(invited.user_id), queries.get_operator()
    signed_in = request.user.id if request.user.is_authenticated else None
    page = {"invited": invited, "person": person, "operator": operator, "token": token}
    page |= {"role": wording.role(invited.role), "is_theirs": signed_in == person.id, "form": None}
    if signed_in is None and person.password == NO_PASSWORD:
        page["form"] = form = PasswordForm(request.POST if request.method == "POST" else None)
        if form.is_valid():
            try:
                taken = people.take_up_invitation(invitation=found, password=form.cleaned_data["password"])
            except Refusal as refusal:
                say(form, refusal)
                return _invitation(request, page, status=refusal.status)
            return enter(request, taken, _home(invited, operator.slug))
        return _invitation(request, page, status=422 if form.is_bound else 200)
    if request.method == "POST" and signed_in is not None:
        people.take_up_invitation(invitation=found, user_id=signed_in)
        # Where the role needs a second factor their sessions are over, and this leads to the sign-in: who only sits at
        # this desk sets up no authenticator for them.
        return redirect(_home(invited, operator.slug))
    return _invitation(request, page)


def _home(invited: Member, slug: str) -> str:
    return reverse(home_of(Role(invited.role)), kwargs={"slug": slug})


def _invitation(request: HttpRequest, page: dict[str, Any], *, status: int = 200) -> HttpResponse:
    answer = render(request, "accounts/invitation.html", page, status=status)
    # The address is a key: no page elsewhere that it leads to learns it, no search engine lists it. Not "no-referrer": by
    # that a browser sends the form as from nowhere ("Origin: null", Fetch standard, 3.1), which is refused as forged.
    answer["Referrer-Policy"] = "same-origin"
    answer["X-Robots-Tag"] = "noindex, nofollow"
    return answer
