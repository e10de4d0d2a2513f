"""The second factor on pages: asked for after the password, set up, renewed, removed, and reset by an owner."""

from __future__ import annotations

import html
import re
from typing import Any

import pytest
from cryptography.hazmat.primitives.hashes import SHA1
from cryptography.hazmat.primitives.twofactor.totp import TOTP
from django.conf import settings
from django.contrib.auth.hashers import make_password

from accounts import clock, tenancy
from accounts.models import AuditEntry, Member, SignIn, User
from accounts.permissions import NEEDS_SECOND_FACTOR, Role
from accounts.queries.second_factor import PROVEN, has_second_factor, recovery_codes_left
from accounts.rules import second_factor as rules
from tests.accounts.test_second_factor import with_factor
from tests.cast import PASSWORD, Cast
from tests.pages import visitors
from tests.pages.visitors import Visitor, text_of

CODE, SET_UP, CODES = "/sign-in/code", "/sign-in/set-up-code", "/sign-in/recovery-codes"
KEY = re.compile(r'<code class="key">([A-Z2-7 ]+)</code>')
SHOWN = re.compile(r"<textarea[^>]*>([^<]+)</textarea>")


@pytest.fixture(autouse=True)
def _needed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(settings, "SECOND_FACTOR_NEEDED", True)
    monkeypatch.setattr(clock, "machine", clock.now)


def code_of(secret: bytes | str, steps: int = 0) -> str:
    """What an authenticator shows now, from the bytes or from the text on the page."""
    import base64

    if isinstance(secret, str):
        secret = base64.b32decode(secret.replace(" ", ""))
    return TOTP(secret, 6, SHA1(), 30).generate(int(clock.now().timestamp()) + 30 * steps).decode()


def wrong_for(secret: bytes) -> str:
    now = clock.now().timestamp()
    return next(f"{number:06}" for number in range(9) if rules.step_of(secret, f"{number:06}", now) is None)


def password_given(cast: Cast, role: Role, onward: str = "") -> tuple[Visitor, Any]:
    visitor = Visitor()
    answer = visitor.submit("/sign-in/", email=cast.users[role].email, password=PASSWORD, next=onward)
    return visitor, answer


def signed_in(cast: Cast, role: Role) -> Visitor:
    """With a second factor where the role needs one."""
    visitor = visitors.signed_in(cast, role)
    if role in NEEDS_SECOND_FACTOR:
        session = visitor.session
        session[PROVEN] = clock.now().isoformat()
        session.save()
    return visitor


def is_in(visitor: Visitor, cast: Cast) -> bool:
    return visitor.get(f"/{cast.operator.slug}/me").status_code == 200


def shown_codes(visitor: Visitor) -> list[str]:
    found = SHOWN.search(visitor.get(CODES).content.decode())
    assert found is not None
    return html.unescape(found[1]).split()


def test_an_owner_without_one_sets_one_up_at_the_sign_in_and_is_let_in_by_its_first_code(north: Cast) -> None:
    onward = f"/{north.operator.slug}/set-up/operator"
    visitor, answer = password_given(north, Role.OWNER, onward)
    assert (answer.status_code, answer["Location"]) == (302, SET_UP)
    assert not is_in(visitor, north)
    page = visitor.get(SET_UP)
    body = page.content.decode()
    assert "What " + north.users[Role.OWNER].email + " may do needs more than a password" in text_of(page)
    assert '<img class="key" src="data:image/svg+xml' in body
    assert "no-cache" in page["Cache-Control"]
    (key,) = KEY.findall(body)
    # Looked at again it is the same key, as the authenticator has it by now.
    assert KEY.findall(visitor.get(SET_UP).content.decode()) == [key]
    typo = visitor.submit(SET_UP, code="12 34")
    assert typo.status_code == 422
    assert "A code is six digits" in text_of(typo)
    wrong = visitor.submit(SET_UP, code=code_of(key, 7))
    assert wrong.status_code == 400
    assert 'id="id_code_error"' in wrong.content.decode()
    assert KEY.findall(wrong.content.decode()) == [key]
    assert not has_second_factor(north.users[Role.OWNER].id)
    right = visitor.submit(SET_UP, code=code_of(key))
    assert (right.status_code, right["Location"]) == (302, CODES)
    codes = shown_codes(visitor)
    assert len(codes) == 10
    assert shown_codes(visitor) == codes
    kept = visitor.submit(CODES)
    assert kept["Location"] == onward
    assert visitor.get(onward).status_code == 200
    assert visitor.get(CODES)["Location"] == "/"


def test_whoever_has_one_gives_its_code_after_the_password(north: Cast, later: Any) -> None:
    secret, _codes = with_factor(north.users[Role.OWNER])
    later(minutes=2)
    onward = f"/{north.operator.slug}/units/"
    visitor, answer = password_given(north, Role.OWNER, onward)
    assert answer["Location"] == CODE
    before = visitor.cookies["__Host-sid"].value
    assert not is_in(visitor, north)
    assert visitor.get(SET_UP)["Location"] == CODE, "Who knows the password alone sets up nothing."
    page = visitor.get(CODE)
    assert 'autocomplete="one-time-code"' in page.content.decode()
    wrong = visitor.submit(CODE, code=wrong_for(secret))
    assert wrong.status_code == 400
    assert "This code is wrong or over." in text_of(wrong)
    assert not is_in(visitor, north)
    right = visitor.submit(CODE, code=code_of(secret))
    assert (right.status_code, right["Location"]) == (302, onward)
    assert is_in(visitor, north)
    assert visitor.cookies["__Host-sid"].value != before
    # The step is over: nothing more to give here, and the code is used up.
    assert visitor.get(CODE)["Location"] == "/sign-in/"
    other, _answer = password_given(north, Role.OWNER)
    again = other.submit(CODE, code=code_of(secret))
    assert "used already" in text_of(again)
    assert not is_in(other, north)


def test_everybody_may_have_one_and_is_then_asked_for_it(north: Cast, later: Any) -> None:
    _visitor, answer = password_given(north, Role.VIEWER)
    assert answer["Location"] not in {CODE, SET_UP}
    with_factor(north.users[Role.VIEWER])
    _visitor, answer = password_given(north, Role.VIEWER)
    assert answer["Location"] == CODE


def test_without_the_need_owners_come_in_by_their_password_until_they_set_one_up(
    north: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(settings, "SECOND_FACTOR_NEEDED", False)
    visitor, _answer = password_given(north, Role.OWNER)
    assert is_in(visitor, north)
    with_factor(north.users[Role.OWNER])
    assert not is_in(visitor, north), "Sessions from before it are over."
    visitor, answer = password_given(north, Role.OWNER)
    assert answer["Location"] == CODE
    assert not is_in(visitor, north)


def test_the_time_between_password_and_code_is_short(north: Cast, later: Any) -> None:
    secret, _codes = with_factor(north.users[Role.OWNER])
    visitor, _answer = password_given(north, Role.OWNER, "/?a=1&b=2")
    later(minutes=9, seconds=59)
    assert visitor.get(CODE).status_code == 200
    later(seconds=1)
    for path in (CODE, SET_UP):
        visitor, _answer = password_given(north, Role.OWNER, "/?a=1&b=2")
        later(minutes=10)
        over = visitor.submit(path, code=code_of(secret))
        assert over.status_code == 403
        assert "?next=%2F%3Fa%3D1%26b%3D2" in over.content.decode()
        assert visitor.get(path)["Location"] == "/sign-in/"
    assert not is_in(visitor, north)


def test_a_password_changed_meanwhile_ends_the_sign_in(north: Cast, later: Any) -> None:
    secret, _codes = with_factor(north.users[Role.OWNER])
    later(minutes=2)
    visitor, _answer = password_given(north, Role.OWNER)
    User.objects.filter(id=north.users[Role.OWNER].id).update(password=make_password("another long phrase"))
    assert visitor.submit(CODE, code=code_of(secret)).status_code == 403
    assert not is_in(visitor, north)


def test_so_does_an_account_that_is_closed(north: Cast, later: Any) -> None:
    secret, _codes = with_factor(north.users[Role.OWNER])
    later(minutes=2)
    visitor, _answer = password_given(north, Role.OWNER)
    User.objects.filter(id=north.users[Role.OWNER].id).update(is_active=False)
    assert visitor.submit(CODE, code=code_of(secret)).status_code == 403
    assert not SignIn.objects.filter(user_id=north.users[Role.OWNER].id).exists()


def test_who_guesses_codes_is_told_how_long_to_wait(north: Cast, later: Any) -> None:
    secret, codes = with_factor(north.users[Role.OWNER])
    later(minutes=2)
    visitor, _answer = password_given(north, Role.OWNER)
    for _ in range(5):
        assert visitor.submit(CODE, code=wrong_for(secret)).status_code == 400
    refused = visitor.submit(CODE, code=code_of(secret))
    assert (refused.status_code, refused["Retry-After"]) == (429, "1")
    assert "Try again in 1 s." in text_of(refused)
    # From another browser too: the count is the person's.
    other, _answer = password_given(north, Role.OWNER)
    assert other.submit(CODE, code=code_of(secret)).status_code == 429
    # And it keeps nobody out who has a recovery code.
    assert other.submit(CODE, recovery=codes[0]).status_code == 302
    assert is_in(other, north)


def test_a_recovery_code_lets_in_once_and_leads_to_where_another_authenticator_is_set_up(
    north: Cast, later: Any
) -> None:
    _secret, codes = with_factor(north.users[Role.OWNER])
    visitor, _answer = password_given(north, Role.OWNER, "/")
    for typed, status in (("", 422), ("not a code", 422), ("22222-22222-22222-22222-22222", 400)):
        refused = visitor.submit(CODE, recovery=typed)
        assert refused.status_code == status
        assert "<details open>" in refused.content.decode()
    answer = visitor.submit(CODE, recovery=codes[3].lower())
    own = f"/{north.operator.slug}/me/second-factor"
    assert answer["Location"] == own
    assert "You have 9 recovery codes left." in text_of(visitor.get(own))
    again, _answer = password_given(north, Role.OWNER)
    assert "it was used already" in text_of(again.submit(CODE, recovery=codes[3]))
    assert not is_in(again, north)
    for code in codes[4:]:
        later(minutes=1)
        visitor, _answer = password_given(north, Role.OWNER)
        visitor.submit(CODE, recovery=code)
    few = visitor.get(own)
    assert "You have 3 recovery codes left. Make new ones" in text_of(few)
    assert 'class="refusal" role="alert"' in few.content.decode()


def test_nothing_is_shown_or_taken_without_a_password(north: Cast) -> None:
    with_factor(north.users[Role.OWNER])
    for path in (CODE, SET_UP, CODES):
        for answer in (Visitor().get(path), Visitor().submit(path, code="123456", recovery="x")):
            assert (answer.status_code, answer["Location"]) == (302, "/sign-in/")


def test_a_sign_in_that_waits_for_a_code_signs_out_whoever_was_there(north: Cast, south: Cast) -> None:
    with_factor(north.users[Role.OWNER])
    visitor, _answer = password_given(south, Role.VIEWER)
    assert is_in(visitor, south)
    visitor.submit("/sign-in/", email=north.users[Role.OWNER].email, password=PASSWORD)
    assert not is_in(visitor, south)
    assert not is_in(visitor, north)


def test_the_session_keeps_what_it_waits_with_unreadable(north: Cast, superuser: Any) -> None:
    from django.core import signing

    visitor, _answer = password_given(north, Role.OWNER)
    (key,) = KEY.findall(visitor.get(SET_UP).content.decode())
    key = key.replace(" ", "")

    def said() -> str:
        rows = superuser.execute("SELECT session_data FROM accounts_signin").fetchall()
        texts = []
        for (row,) in rows:
            texts.append(str(signing.loads(row, salt="django.contrib.sessions.SessionStore")))
        return "\n".join(texts)

    assert "second_factor_new" in said()
    assert key not in said()
    visitor.submit(SET_UP, code=code_of(key))
    codes = shown_codes(visitor)
    assert "recovery_codes" in said()
    for code in codes:
        assert code not in said()


def test_recovery_codes_wait_for_their_person_for_an_hour(north: Cast, later: Any) -> None:
    visitor, _answer = password_given(north, Role.OWNER)
    (key,) = KEY.findall(visitor.get(SET_UP).content.decode())
    visitor.submit(SET_UP, code=code_of(key))
    # In use all the while, so that the session itself is not over.
    for _ in range(3):
        later(minutes=20)
        is_in(visitor, north)
    assert visitor.get(CODES)["Location"] == "/"
    assert visitor.get(CODES)["Location"] == "/"


def test_one_sets_up_renews_and_removes_on_ones_own_page(north: Cast, later: Any) -> None:
    own = f"/{north.operator.slug}/me/second-factor"
    visitor, _answer = password_given(north, Role.VIEWER)
    assert f'href="{own}"' in visitor.get(f"/{north.operator.slug}/me").content.decode()
    assert "You sign in with your password alone." in text_of(visitor.get(own))
    (key,) = KEY.findall(visitor.get(f"{own}/set-up").content.decode())
    elsewhere, _answer = password_given(north, Role.VIEWER)
    before = visitor.cookies["__Host-sid"].value
    assert visitor.submit(f"{own}/set-up", code=code_of(key))["Location"] == CODES
    assert visitor.cookies["__Host-sid"].value != before
    assert not is_in(elsewhere, north)
    codes = shown_codes(visitor)
    assert visitor.submit(CODES)["Location"] == own
    page = visitor.get(own)
    assert "a code of the authenticator set up on 15 Jun 2026" in text_of(page)
    assert "Remove the second factor" in text_of(page)
    assert visitor.submit(f"{own}/recovery-codes")["Location"] == CODES
    renewed = shown_codes(visitor)
    assert not set(codes) & set(renewed)
    (other_key,) = KEY.findall(visitor.get(f"{own}/set-up").content.decode())
    assert other_key != key
    later(minutes=2)
    visitor.submit(f"{own}/set-up", code=code_of(other_key))
    later(minutes=2)
    there, _answer = password_given(north, Role.VIEWER)
    assert there.submit(CODE, code=code_of(key)).status_code == 400
    assert there.submit(CODE, code=code_of(other_key)).status_code == 302
    assert there.submit(f"{own}/remove")["Location"] == own
    assert not has_second_factor(north.users[Role.VIEWER].id)
    assert recovery_codes_left(north.users[Role.VIEWER].id) == 0
    assert not is_in(visitor, north)
    assert is_in(there, north)


def test_a_picture_of_an_earlier_sign_in_is_replaced_and_the_page_says_so(north: Cast) -> None:
    own = f"/{north.operator.slug}/me/second-factor/set-up"
    (key,) = KEY.findall(signed_in(north, Role.VIEWER).get(own).content.decode())
    answer = signed_in(north, Role.VIEWER).submit(own, code=code_of(key))
    assert answer.status_code == 422
    assert "The picture from before is over." in text_of(answer)
    assert KEY.findall(answer.content.decode()) != [key]
    assert not has_second_factor(north.users[Role.VIEWER].id)


def test_who_needs_one_is_not_offered_to_remove_it(north: Cast) -> None:
    own = f"/{north.operator.slug}/me/second-factor"
    with_factor(north.users[Role.OWNER])
    visitor = signed_in(north, Role.OWNER)
    assert "it can't be removed" in text_of(visitor.get(own))
    assert visitor.submit(f"{own}/remove").status_code == 409
    assert has_second_factor(north.users[Role.OWNER].id)


def test_own_pages_ask_who_is_there_first(north: Cast, later: Any) -> None:
    own = f"/{north.operator.slug}/me/second-factor"
    visitor = signed_in(north, Role.VIEWER)
    later(minutes=25)
    for answer in (
        visitor.get(own),
        visitor.get(f"{own}/set-up"),
        visitor.submit(f"{own}/recovery-codes"),
        visitor.submit(f"{own}/remove"),
    ):
        assert answer.status_code == 403
        assert 'autocomplete="current-password"' in answer.content.decode()


def test_an_owner_resets_what_a_member_lost_and_they_set_up_another(north: Cast, south: Cast) -> None:
    bookkeeper = north.actors[Role.BOOKKEEPER]
    page = f"/{north.operator.slug}/set-up/people/{bookkeeper.id}"
    owner = signed_in(north, Role.OWNER)
    assert "has set up none" in text_of(owner.get(page))
    with_factor(north.users[Role.BOOKKEEPER])
    shown = owner.get(page)
    assert f'action="{page}/reset-second-factor"' in shown.content.decode()
    theirs = signed_in(north, Role.BOOKKEEPER)
    assert signed_in(north, Role.DISPATCHER).submit(f"{page}/reset-second-factor").status_code == 403
    rival = f"/{south.operator.slug}/set-up/people/{bookkeeper.id}/reset-second-factor"
    assert signed_in(south, Role.OWNER).submit(rival).status_code == 404
    assert has_second_factor(north.users[Role.BOOKKEEPER].id)
    assert owner.submit(f"{page}/reset-second-factor")["Location"] == page
    assert not is_in(theirs, north)
    _visitor, answer = password_given(north, Role.BOOKKEEPER)
    assert answer["Location"] == SET_UP
    with north.reading():
        entry = AuditEntry.objects.get(action="second_factor_reset")
        assert (entry.actor_id, entry.door) == (north.owner.id, "POST reset-second-factor")
        assert entry.request_id is not None


def test_an_owner_is_not_offered_what_is_not_theirs_to_reset(north: Cast, south: Cast) -> None:
    bookkeeper = north.actors[Role.BOOKKEEPER]
    for role in (Role.BOOKKEEPER, Role.OWNER):
        with_factor(north.users[role])
    with tenancy.writing(south.owner):
        person = north.users[Role.BOOKKEEPER]
        Member.objects.create(user_id=person.id, role=Role.VIEWER, name=person.name)
    owner = signed_in(north, Role.OWNER)
    for member in (bookkeeper.id, north.owner.id):
        page = f"/{north.operator.slug}/set-up/people/{member}"
        assert "reset-second-factor" not in owner.get(page).content.decode()
        assert owner.submit(f"{page}/reset-second-factor").status_code == 409
    assert has_second_factor(north.users[Role.BOOKKEEPER].id)
    assert has_second_factor(north.users[Role.OWNER].id)
