"""Browsers that sign in through the page, each from a network of its own, so that nobody else's tries are counted with theirs."""

from __future__ import annotations

from ipaddress import ip_address
from typing import Any

from accounts.ids import uuid7
from accounts.permissions import Role
from tests.cast import PASSWORD, Cast
from tests.pages.visitors import Visitor

DESK = "Mozilla/5.0 (Desk System 10.0; x64; rv:128.0) Engine/20100101 Prowser/128.0"
PHONE = "Mozilla/5.0 (Phone System 9; K) Engine/537.36 (like Other) Browser/124.0 Mobile Old/537.36"


class From(Visitor):
    """A browser at an address of its own."""

    def __init__(self, agent: str = DESK) -> None:
        super().__init__()
        # Of the network that RFC 3849 keeps for documentation: a household of its own.
        self.network = str(ip_address(f"2001:db8:{uuid7().hex[-8:-4]}:{uuid7().hex[-4:]}::1"))
        self.defaults |= {"REMOTE_ADDR": self.network, "HTTP_USER_AGENT": agent}

    def sign_in(self, email: str, password: str = PASSWORD, **more: str) -> Any:
        return self.submit("/sign-in/", email=email, password=password, **more)


def email_of(cast: Cast, role: Role = Role.DISPATCHER) -> str:
    return cast.users[role].email


def home_of(cast: Cast) -> str:
    return f"/{cast.operator.slug}/"


def signed_in_anew(cast: Cast, role: Role = Role.DISPATCHER, agent: str = DESK) -> From:
    visitor = From(agent)
    assert visitor.sign_in(email_of(cast, role)).status_code == 302
    return visitor
