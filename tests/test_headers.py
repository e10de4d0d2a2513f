"""The headers and cookies of every address, of files and of every kind of refusal.

Against the OWASP Secure Headers Project's list (from memory) and ASVS 5.0 sections 3.3 to 3.5; a browser tries the policy too.
"""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client, RequestFactory
from django.urls import URLPattern, URLResolver, get_resolver

from accounts.permissions import Role
from config.middleware import SafetyHeaders
from tests.api.callers import Api, signed_in
from tests.cast import PASSWORD, Cast
from tests.pages import visitors

EVERYWHERE = {
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
# Metadata that says nothing but where tokens are given; programs of browsers may read it (RFC 8414 section 3.1).
FOR_EVERYBODY = {("/.well-known/oauth-authorization-server", "Access-Control-Allow-Origin")}
NOBODY = "00000000-0000-4000-8000-000000000000"


def routes() -> list[str]:
    """Every address, with something in the place of each of its parts."""

    def walk(patterns: list[URLPattern | URLResolver], prefix: str) -> list[str]:
        found: list[str] = []
        for one in patterns:
            here = prefix + str(one.pattern)
            found += walk(one.url_patterns, here) if isinstance(one, URLResolver) else [here]
        return found

    return walk(get_resolver().url_patterns, "")


def filled(route: str, slug: str) -> str:
    """An address of the route; one that is a regular expression is filled by hand."""
    if "(?P" in route:
        return "/u/AAAA-AAAA-AA" if "code" in route else "/r/" + "a" * 43
    parts = []
    for part in route.split("<")[1:]:
        kind, _colon, rest = part.partition(":")
        name, _end, _after = rest.partition(">")
        value = (
            slug if name == "slug" else NOBODY if kind == "uuid" else "2026-05" if "month" in name else "1"
        )
        parts.append((f"<{kind}:{name}>", value))
    for placeholder, value in parts:
        route = route.replace(placeholder, value)
    return f"/{route.replace('^', '').replace('$', '')}"


def wrong_headers(answer) -> list[str]:
    found = [name for name, value in EVERYWHERE.items() if answer.headers.get(name) != value]
    policy = answer.headers.get("Content-Security-Policy", "")
    directives = dict(one.strip().partition(" ")[::2] for one in policy.split(";"))
    if directives.get("default-src") != "'none'" or directives.get("frame-ancestors") != "'none'":
        found.append(f"policy {policy!r}")
    if directives.get("script-src", "'self'") != "'self'" or directives.get("base-uri") != "'none'":
        found.append(f"policy {policy!r}")
    if any(word in policy for word in ("unsafe", "*", "http:", "https:", "blob:")):
        found.append(f"policy {policy!r}")
    if answer.headers.get("Referrer-Policy") not in {"same-origin", "no-referrer"}:
        found.append("Referrer-Policy")
    if "max-age=31536000" not in answer.headers.get("Strict-Transport-Security", ""):
        found.append("Strict-Transport-Security")
    if "camera=()" not in answer.headers.get("Permissions-Policy", ""):
        found.append("Permissions-Policy")
    said = ("Server", "X-Powered-By", "Access-Control-Allow-Origin", "Access-Control-Allow-Credentials")
    found += [name for name in said if name in answer.headers]
    return found + wrong_cookies(answer)


def wrong_cookies(answer) -> list[str]:
    found = []
    for name, cookie in answer.cookies.items():
        if not name.startswith("__Host-"):
            found.append(f"{name} has no prefix")
        is_kept = cookie["max-age"] != 0  # one that is taken back has nothing to read in it
        if (
            not cookie["secure"]
            or (is_kept and not cookie["httponly"])
            or cookie["samesite"] not in {"Lax", "Strict"}
        ):
            found.append(f"{name}: {cookie.output()}")
        if cookie["domain"] or cookie["path"] != "/":
            found.append(f"{name} reaches further")
    return found


@pytest.fixture(scope="module")
def cast(database) -> Cast:
    from tests.cast import new_cast

    return new_cast("headers")


def test_every_address_has_the_headers_whoever_asks(cast: Cast) -> None:
    addresses = [filled(route, cast.operator.slug) for route in routes()]
    stranger = Api()
    owner = signed_in(cast)

    wrong = {
        (who, address): found
        for address in addresses
        for who, client in (("stranger", stranger), ("owner", owner))
        if (
            found := [
                one for one in wrong_headers(client.get(address)) if (address, one) not in FOR_EVERYBODY
            ]
        )
    }

    assert len(addresses) > 300
    assert wrong == {}


def test_every_address_that_takes_a_post_has_them_too(cast: Cast) -> None:
    viewer = signed_in(cast, Role.VIEWER)
    addresses = [filled(route, cast.operator.slug) for route in routes()]
    wrong = {
        address: found
        for address in sorted(addresses, key="/sign-out/".__eq__)  # after which nobody is signed in
        if (found := wrong_headers(viewer.post(address, {})))
    }

    assert wrong == {}


def test_a_file_has_them(cast: Cast) -> None:
    answer: Any = Api().get("/static/wickround.css")
    try:
        assert b"body" in b"".join(answer.streaming_content)
    finally:
        answer.close()

    assert answer.status_code == 200
    assert wrong_headers(answer) == []


@pytest.mark.parametrize(
    ("path", "status", "named"),
    [
        ("/nothing/here/at/all", 404, {}),
        ("/api/nothing", 404, {}),
        ("/healthz", 400, {"HTTP_HOST": "elsewhere.example"}),
    ],
)
def test_a_refusal_has_them(cast: Cast, path: str, status: int, named: dict[str, Any]) -> None:
    answer = Api(raise_request_exception=False).get(path, **named)

    assert answer.status_code == status
    assert wrong_headers(answer) == []


def test_a_fault_of_ours_has_them_and_says_nothing_of_itself(cast: Cast, monkeypatch) -> None:
    from config import problem_pages

    def fail(*_asked):
        raise RuntimeError("the inner life of the server")

    monkeypatch.setattr(problem_pages, "_shown", fail)
    answer = Api(raise_request_exception=False).get("/problems")

    assert answer.status_code == 500
    assert "inner life" not in answer.content.decode()
    assert wrong_headers(answer) == []


def test_plain_http_is_led_to_https_and_nothing_else(cast: Cast) -> None:
    answer = Client().get("/sign-in/?next=/x")

    assert (answer.status_code, answer.headers["Location"]) == (301, "https://testserver/sign-in/?next=/x")
    assert answer.cookies == {}
    assert answer.headers["X-Content-Type-Options"] == "nosniff"


@pytest.mark.parametrize("path", ["/api/v1/units", "/api/v1/schema", "/oauth/token"])
def test_programs_are_refused_on_plain_http_and_not_led_on(cast: Cast, path: str) -> None:
    answer = Client().get(path, headers={"authorization": f"Bearer {cast.phone_token}"})

    assert (answer.status_code, answer.json()["type"].rsplit("/", 1)[-1]) == (403, "https-needed")
    assert "replace it" in answer.json()["detail"]
    assert Client().get("/healthz").status_code == 200


def test_signing_out_clears_what_the_browser_kept(cast: Cast) -> None:
    visitor = visitors.signed_in(cast, Role.VIEWER)

    answer = visitor.submit("/sign-out/")

    assert answer.headers["Clear-Site-Data"] == '"cache", "storage"'


def test_the_cookies_of_a_sign_in_keep_to_this_host(cast: Cast) -> None:
    visitor = visitors.Visitor()
    form = visitor.get("/sign-in/")
    answer = visitor.submit("/sign-in/", email=cast.users[Role.VIEWER].email, password=PASSWORD)

    assert set(form.cookies) == {"__Host-csrf"}
    assert "__Host-sid" in answer.cookies
    assert wrong_cookies(form) + wrong_cookies(answer) == []
    assert wrong_cookies(visitor.submit("/sign-out/")) == []


def test_a_cookie_or_a_header_that_says_too_little_would_be_noticed() -> None:
    from django.http import HttpResponse

    bare = HttpResponse("x")
    bare.set_cookie("sid", "1")
    whole = SafetyHeaders(lambda _request: HttpResponse("x"))(RequestFactory().get("/"))
    loose = SafetyHeaders(
        lambda _request: HttpResponse("x", headers={"Content-Security-Policy": "default-src *"})
    )(RequestFactory().get("/"))

    assert len(wrong_headers(bare)) > 8
    assert wrong_headers(whole) == ["Strict-Transport-Security"]
    assert "policy 'default-src *'" in wrong_headers(loose)
