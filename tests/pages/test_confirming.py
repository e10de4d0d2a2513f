"""Pages that ask once more who is there (OWASP ASVS 5.0, 7.5.1 and 7.5.3): which, when, how, and that nothing typed gets lost."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from typing import Any

import pytest
from cryptography.hazmat.primitives.hashes import SHA1
from cryptography.hazmat.primitives.twofactor.totp import TOTP
from django.core.files.uploadedfile import SimpleUploadedFile
from django.http import HttpResponse, QueryDict
from django.test import RequestFactory

from accounts import clock, tenancy
from accounts.commands import second_factor
from accounts.models import MachineClient, Member, SignIn
from accounts.pages import TO_ACT, confirming
from accounts.permissions import Role
from config.urls import pages
from tests.cast import PASSWORD, Cast
from tests.pages.visitors import Visitor, signed_in, text_of

# Pages that ask before they open, and those that ask only when their form is sent.
ASK_TO_OPEN = {
    "close-month": "issues the month's invoices, and can't be undone",
    "credit": "issues a credit note, and can't be undone",
    "deactivate-member": "takes a person's way in",
    "end-program-secret": "a key",
    "end-other-sessions": "OWASP ASVS 5.0, 7.5.2",
    "end-session": "OWASP ASVS 5.0, 7.5.2",
    "erase-person": "can't be undone",
    "forget-browser": "OWASP ASVS 5.0, 7.5.2",
    "invite-again": "a way in for somebody else",
    "new-issuer": "says where invoices are to be paid to",
    "new-program": "a key",
    "new-program-secret": "a key",
    "new-webhook": "a key, and where everything is told to",
    "remove-own-second-factor": "what keeps others out",
    "renew-recovery-codes": "a way in",
    "reset-second-factor": "what keeps others out of somebody's work",
    "revoke-program": "ends what may run by it",
    "rotate-webhook": "a key",
    "set-up-own-second-factor": "what keeps others out",
    "sign-out-everywhere": "OWASP ASVS 5.0, 7.5.2",
    "state-royalty": "states a month for good",
    "strike-entry-code": "what opens a site's door",
}
ASK_TO_ACT = {
    "close-operator": "everything is gone in the end",
    "entry-codes": "what opens a site's door",
    "invite-member": "a way in for somebody else",
    "everything": "takes all there is with it",
    "issuer": "says where invoices are to be paid to",
    "member": "another role",
    "program": "other rights of a key",
    "register-phone": "a key",
    "support": "lets somebody else look at everything",
    "webhook": "where everything is told to",
}
# Forms of who is signed in that ask nothing more. Their work is of every day, is seen, and can be put right by another like it.
DAILY = {
    "add-agreement", "add-cartridge", "add-contact", "add-crew", "add-liquid", "add-opening-debt", "add-order",
    "add-safety-sheet", "add-unit-model", "announce-price", "announce-visit", "bank-assign", "bank-import", "bank-preview",
    "bank-return", "bank-set-aside", "begin", "begin-standstill", "billing-email", "billing-profile", "call-off-visit",
    "change-contact", "change-liquid", "close-report", "contract-notice", "contract-sites", "contract-terms", "correct",
    "crew-set-up", "customer", "end-agreement", "end-contract-site", "end-order", "end-standstill", "follow-agreement",
    "import", "import-left-out", "import-one-rows", "import-rows", "index-figure", "install-unit", "move-unit", "move-visit", "new-contract", "open-unit",
    "new-customer", "new-price-item", "new-site", "number-series", "operator", "plan-round", "plan-visit", "preview-month",
    "print-labels", "receive-report", "record-payment", "refund-credit", "refund-payment", "release-allocation",
    "remove-contact", "remove-safety-sheet", "resume-crew", "return-payment", "royalty-terms", "send-again",
    "send-statement", "service-rules", "set-price", "settle-payment", "shift-visit", "site-billing", "site-room",
    "site-rooms", "site-set-up", "site-station", "stop-crew", "strike-note", "take-note", "take-note-at-site",
    "take-note-of-all", "take-off-visit", "tax-rate", "undo", "undo-standstill", "visit", "withdraw-notice",
    "replay-job", "replay-kind", "withdraw-unit", "write-note",
}  # fmt: skip
OTHERWISE = {
    "give-up-job": "asked on a page of its own; what is not done then is seen to be missing",
    "give-up-kind": "the same",
    "cancel-work": "can be asked for again, and nothing was stored of it",
    "end-support": "takes a way in, gives none",
    "show-entry": "for a crew in the street, on the day it goes there, and each time is noted",
    "withdraw-closing": "keeps everything as it is",
    "customer-record-links": "opens records that their customer may see, and is taken back by one click",
    "me": "the language of one's own pages",
    "own-notices": "which mails one is sent, to the address one signs in with",
    "own-password": "asks for the present password itself",
    "people-named": "a search whose words stay out of the address",
    "record-links": "as those of the customer",
    "remove-customer": "refused for one of whom anything is recorded",
    "remove-photo": "a picture of a room; who may is an owner",
    "remove-webhook": "takes a way out, gives none",
    "replay-webhook": "says once more what was said to the same address",
    "revoke-phone": "a lost phone is to be shut out at once",
    "revoke-record-link": "takes a way in, gives none",
    "start-webhook": "to the same address as before",
    "stop-webhook": "takes a way out, gives none",
    "test-webhook": "says nothing but that it is a test",
    "webhook-delivery": "says once more what was said to the same address",
}


def posted() -> Iterator[tuple[str, Any]]:
    for page in pages:
        if "POST" in getattr(page.callback, "methods", ()):
            yield str(getattr(page, "name", "")), getattr(page.callback, "recent", False)


def test_every_form_of_an_operator_asks_or_says_why_not() -> None:
    asked = {name: how for name, how in posted() if how}
    not_asked = {name for name, how in posted() if not how}
    assert {name for name, how in asked.items() if how is True} >= ASK_TO_OPEN.keys()
    assert {name for name, how in asked.items() if how == TO_ACT} >= ASK_TO_ACT.keys()
    assert not_asked - DAILY - OTHERWISE.keys() == set()
    assert (DAILY | OTHERWISE.keys()) - not_asked == set()


def fields_of(response: Any) -> dict[str, list[str]]:
    """The hidden fields of a page's form, but for the token, as a browser would send them."""
    found: dict[str, list[str]] = {}
    hidden = re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)"', response.content.decode())
    for name, value in hidden:
        if name != "csrfmiddlewaretoken":
            found.setdefault(html.unescape(name), []).append(html.unescape(value))
    return found


def confirm(visitor: Visitor, path: str, asked: Any, password: str = PASSWORD, **more: str) -> Any:
    return visitor.submit(path, **fields_of(asked), **{"confirm-password": password}, **more)


def path_of(cast: Cast, rest: str) -> str:
    return f"/{cast.operator.slug}/{rest}"


def test_a_page_asks_a_quarter_of_an_hour_after_the_sign_in_and_opens_for_the_password(
    north: Cast, later: Any
) -> None:
    owner, path = signed_in(north, Role.OWNER), path_of(north, "set-up/programs/new?from=here")
    later(minutes=15)
    assert owner.get(path).status_code == 200
    later(seconds=1)
    asked = owner.get(path)
    assert asked.status_code == 403
    assert "Confirm that it is you." in text_of(asked)
    assert asked["Cache-Control"] == "max-age=0, no-cache, no-store, must-revalidate, private"
    assert fields_of(asked)["confirm-for"] == ["open"]
    before = owner.cookies["__Host-sid"].value
    wrong = confirm(owner, path, asked, "not the password")
    assert (wrong.status_code, owner.cookies["__Host-sid"].value) == (400, before)
    assert "This is not your password." in text_of(wrong)
    assert owner.get(path).status_code == 403
    right = confirm(owner, path, wrong)
    assert (right.status_code, right["Location"]) == (303, path)
    assert owner.cookies["__Host-sid"].value != before
    assert owner.get(path).status_code == 200
    later(minutes=16)
    assert owner.get(path).status_code == 403


def test_confirming_does_not_make_a_session_longer(north: Cast, later: Any) -> None:
    owner, path = signed_in(north, Role.OWNER), path_of(north, "set-up/programs/new")
    (before,) = SignIn.objects.filter(user_id=north.users[Role.OWNER].id)
    later(minutes=16)
    assert confirm(owner, path, owner.get(path)).status_code == 303
    (after,) = SignIn.objects.filter(user_id=north.users[Role.OWNER].id)
    assert after.session_key != before.session_key
    assert after.started_at == before.started_at


def test_a_form_is_carried_through_the_question_and_done_after_it(north: Cast, later: Any) -> None:
    owner, path = signed_in(north, Role.OWNER), path_of(north, "set-up/programs/new")
    form = {
        "name": 'The "books" & <more>',
        "scopes": ["invoices:read", "payments:read"],
        "note": "one\r\ntwo",
    }
    later(minutes=20)
    assert owner.get(path).status_code == 403
    later(seconds=1)
    asked = owner.submit(path, **form)
    assert asked.status_code == 403
    carried = fields_of(asked)
    assert {name: carried[name] for name in form} == {
        name: value if isinstance(value, list) else [value] for name, value in form.items()
    }
    assert "Nothing was done yet" in text_of(asked)
    wrong = confirm(owner, path, asked, "not the password")
    assert fields_of(wrong) == carried
    with tenancy.reading(north.owner):
        assert MachineClient.objects.count() == 0
    done = confirm(owner, path, wrong)
    assert (done.status_code, "confirm-" in done.content.decode()) == (200, False)
    with tenancy.reading(north.owner):
        (made,) = MachineClient.objects.all()
    assert made.name == form["name"]
    assert sorted(made.scopes) == form["scopes"]


def test_what_was_sent_is_what_the_page_gets() -> None:
    sent = QueryDict(
        "a=1&a=2&b=&c=x%0D%0Ay&csrfmiddlewaretoken=t&confirm-password=p&confirm-for=do&confirm-code=1"
    )
    kept = confirming._carried(sent)
    assert dict(kept.lists()) == {"a": ["1", "2"], "b": [""], "c": ["x\r\ny"]}
    with pytest.raises(AttributeError):
        kept["d"] = "4"


def test_a_role_is_given_after_the_question_and_not_before(north: Cast, later: Any) -> None:
    owner = signed_in(north, Role.OWNER)
    member = north.actors[Role.VIEWER].id
    path = path_of(north, f"set-up/people/{member}")
    later(minutes=25)
    assert owner.get(path).status_code == 200
    form = {"name": "Vera", "role": "dispatcher", "crew": ""}
    asked = owner.submit(path, **form)
    assert asked.status_code == 403

    def role() -> str:
        with tenancy.reading(north.owner):
            return Member.objects.get(id=member).role

    assert role() == "viewer"
    assert confirm(owner, path, asked).status_code == 302
    assert role() == "dispatcher"
    # From now on for a while without being asked.
    later(minutes=19)
    assert owner.submit(path, **form | {"role": "viewer"}).status_code == 302


def test_the_month_is_closed_only_after_the_question(north: Cast, later: Any) -> None:
    owner, path = signed_in(north, Role.OWNER), path_of(north, "money/month/close")
    later(minutes=21)
    asked = owner.submit(path, month="2026-05")
    assert (asked.status_code, fields_of(asked)["month"]) == (403, ["2026-05"])


def test_who_may_not_is_refused_without_being_asked(north: Cast, south: Cast, later: Any) -> None:
    viewer = signed_in(north, Role.VIEWER)
    later(minutes=30)
    refused = viewer.get(path_of(north, "set-up/programs/new"))
    assert refused.status_code == 403
    assert "Confirm that it is you." not in text_of(refused)
    assert viewer.get(path_of(south, "set-up/programs/new")).status_code == 404


def test_the_answer_counts_only_with_the_token_of_the_form(north: Cast, later: Any) -> None:
    owner, path = signed_in(north, Role.OWNER), path_of(north, "set-up/programs/new")
    later(minutes=16)
    forged = {"confirm-for": "open", "confirm-password": PASSWORD, "csrfmiddlewaretoken": "x" * 64}
    assert owner.post(path, forged).status_code == 403
    assert owner.get(path).status_code == 403


def test_a_page_that_only_opens_takes_no_other_form(north: Cast, later: Any) -> None:
    request: Any = RequestFactory().post("/x", {"a": "1"})
    request.session, request.user = signed_in(north, Role.OWNER).session, north.users[Role.OWNER]
    answer = confirming.recently(request, ("GET", "HEAD"), True)
    assert isinstance(answer, HttpResponse)
    assert (answer.status_code, answer["Allow"]) == (405, "GET, HEAD")


def test_a_file_can_not_wait_and_the_page_says_so(north: Cast, later: Any) -> None:
    owner, path = signed_in(north, Role.OWNER), path_of(north, "set-up/programs/new")
    later(minutes=21)
    asked = owner.submit(path, name="x", picture=SimpleUploadedFile("p.txt", b"words"))
    assert asked.status_code == 403
    assert "choose the file once more" in text_of(asked)
    assert "confirm-password" not in asked.content.decode()


def test_who_guesses_has_to_wait(north: Cast, later: Any) -> None:
    owner, path = signed_in(north, Role.OWNER), path_of(north, "set-up/programs/new")
    later(minutes=16)
    asked = owner.get(path)
    assert [confirm(owner, path, asked, f"guess {n}").status_code for n in range(5)] == [400] * 5
    told = confirm(owner, path, asked)
    assert (told.status_code, told["Retry-After"]) == (429, "1")
    assert "Try again in 1 s." in text_of(told)
    later(seconds=1)
    assert confirm(owner, path, asked).status_code == 303


def test_who_has_a_second_factor_gives_it_too(
    north: Cast, later: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    person = north.users[Role.OWNER]
    monkeypatch.setattr(clock, "machine", clock.now)
    sealed = second_factor.new_secret(person.id)
    totp = TOTP(second_factor.secret_in(person.id, sealed), 6, SHA1(), 30, enforce_key_length=False)

    def code() -> str:
        return totp.generate(int(clock.now().timestamp())).decode()

    recovery = second_factor.set_up(user_id=person.id, sealed=sealed, typed=code())
    owner, path = signed_in(north, Role.OWNER), path_of(north, "set-up/programs/new")
    later(minutes=16)
    asked = owner.get(path)
    assert "confirm-code" in asked.content.decode()
    assert confirm(owner, path, asked).status_code == 400
    assert confirm(owner, path, asked, **{"confirm-code": "000000"}).status_code == 400
    assert confirm(owner, path, asked, "not the password", **{"confirm-code": code()}).status_code == 400
    assert confirm(owner, path, asked, **{"confirm-code": code()}).status_code == 303
    later(minutes=16)
    assert confirm(owner, path, owner.get(path), **{"confirm-code": recovery[0]}).status_code == 303
    later(minutes=16)
    assert confirm(owner, path, owner.get(path), **{"confirm-code": recovery[0]}).status_code == 400
