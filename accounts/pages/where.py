"""Where somebody is signed in, by which browsers they are known, and how to end any of it."""

from __future__ import annotations

from uuid import UUID

from django.contrib.auth import logout
from django.http import HttpResponse
from django.shortcuts import redirect, render

from accounts.commands import sessions
from accounts.languages import _
from accounts.pages.door import OperatorRequest, operator_page
from accounts.pages.letting_in import device_cookie
from accounts.permissions import Permission
from accounts.queries.sessions import devices_of, is_of_cookie, sign_ins_of
from accounts.rules.agents import read_agent
from accounts.sessions import digest_of


@operator_page(Permission.OWN_SETTINGS)
def where(request: OperatorRequest) -> HttpResponse:
    own, cookie = digest_of(request.session.session_key or ""), device_cookie(request)
    page = {
        "sessions": [
            {"row": one, "browser": _browser(one.agent), "is_this": one.session_key == own}
            for one in sign_ins_of(request.user.id)
        ],
        "devices": [
            {"row": one, "browser": _browser(one.agent), "is_this": is_of_cookie(one, cookie)}
            for one in devices_of(request.user.id)
        ],
    }
    return render(request, "accounts/where.html", page)


@operator_page(Permission.OWN_SETTINGS, "POST", recent=True)
def end_one(request: OperatorRequest) -> HttpResponse:
    sessions.end_session(request.user.id, session=request.POST.get("session", ""))
    return _back(request)


@operator_page(Permission.OWN_SETTINGS, "POST", recent=True)
def end_others(request: OperatorRequest) -> HttpResponse:
    sessions.end_others(request.user.id, but=request.session.session_key or "")
    return _back(request)


@operator_page(Permission.OWN_SETTINGS, "POST", recent=True)
def sign_out_everywhere(request: OperatorRequest) -> HttpResponse:
    """Here too; and no browser is known any more, for one of them may be lost."""
    sessions.sign_out_everywhere(request.user.id)
    logout(request)
    return redirect("sign-in")


@operator_page(Permission.OWN_SETTINGS, "POST", recent=True)
def forget_device(request: OperatorRequest, device_id: UUID) -> HttpResponse:
    sessions.forget_device(request.user.id, device_id=device_id)
    return _back(request)


def _back(request: OperatorRequest) -> HttpResponse:
    return redirect("where-signed-in", slug=request.operator.slug)


def _browser(agent: str) -> str:
    """In words; what it says of itself is all there is to know it by."""
    said = read_agent(agent)
    if not said.program:
        return _("A browser that says nothing of itself")
    if said.is_handheld:
        return (
            _("{program} on a phone or tablet ({system})", program=said.program, system=said.system)
            if said.system
            else _("{program} on a phone or tablet", program=said.program)
        )
    if said.system:
        return _("{program} on {system}", program=said.program, system=said.system)
    return said.program
