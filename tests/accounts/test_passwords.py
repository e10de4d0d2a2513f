"""Passwords: which may be, and what happens when one is changed, set, or forgotten."""

from __future__ import annotations

import gzip
import re
from datetime import timedelta
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.contrib.auth import password_validation
from django.core import mail
from django.core.exceptions import ValidationError
from django.core.management import CommandError, call_command
from hypothesis import given
from hypothesis import strategies as st

from accounts import clock, tenancy
from accounts.commands import forgotten, operators, passwords, people, telling
from accounts.commands.mailing import NotDelivered
from accounts.errors import BadInput, NotFound, TooMany
from accounts.models import AuditEntry, Job, KnownDevice, ResetAsked, SignIn, Tally, User
from accounts.permissions import Role
from accounts.rules.passwords import LEAST, MOST, Weakness, weaknesses
from accounts.sessions import digest_of
from config.management.commands import set_password
from tests.cast import PASSWORD, Cast
from tests.pages.visitors import signed_in

ANOTHER = "nine lanterns by the canal"
WORDS = ["Ada Owner", "ada@north-bank.example", "North Bank"]


@cache
def common() -> set[str]:
    """Django's own list, by another way than the product's."""
    with gzip.open(Path(password_validation.__file__).parent / "common-passwords.txt.gz", "rt") as words:
        return set(words.read().split())


@pytest.mark.parametrize(
    ("password", "why"),
    [
        # NIST SP 800-63B section 3.1.1.2 (as the authors remember it): dictionary words, repeated or sequential characters,
        # words of the context such as the service and the user's name.
        ("elevenchars", Weakness.SHORT),
        ("x" * (MOST + 1), Weakness.LONG),
        ("password1234", Weakness.COMMON),
        ("Password1234!", Weakness.COMMON),
        ("p@ssw0rd!!!!!", Weakness.COMMON),
        ("passwordpassword", Weakness.COMMON),
        ("trustno1trustno1", Weakness.COMMON),
        ("2024-sunshine-2024", Weakness.COMMON),
        ("Ada Owner 2026", Weakness.KNOWN_WORDS),
        ("ada@north-bank.example", Weakness.KNOWN_WORDS),
        ("northbanknorthbank", Weakness.KNOWN_WORDS),
        ("Wickround2026!", Weakness.KNOWN_WORDS),
        ("ＷＩＣＫＲＯＵＮＤ２０２６", Weakness.KNOWN_WORDS),  # noqa: RUF001 - wide letters are the same to who guesses
        ("abababababab", Weakness.MONOTONE),
        ("abcdefghijkl", Weakness.MONOTONE),
        ("210987654321", Weakness.MONOTONE),
        ("lkjhgfdsapoi", Weakness.MONOTONE),
        (PASSWORD, None),
        ("correct horse battery staple", None),
        ("жёлтый лист у реки", None),  # noqa: RUF001 - a language that is not ours
        ("north bank of the river Elbe", None),
        ("8kq!2vZ(m+e3", None),
        ("        a b c d e", None),
        ("§&/()=?*+~#-_", None),
    ],
)
def test_what_is_tried_first_is_refused_and_what_is_long_may_be_anything(
    password: str, why: Weakness | None
) -> None:
    assert weaknesses(password, words=WORDS, common=common()) == ([why] if why else [])


def test_one_may_be_wrong_twice() -> None:
    assert weaknesses("password", words=WORDS, common=common()) == [Weakness.SHORT, Weakness.COMMON]
    assert weaknesses("", words=WORDS, common=common())[0] is Weakness.SHORT


def test_every_common_password_of_the_list_is_refused_however_it_is_made_longer() -> None:
    # ASVS 5.0 6.2.4 asks for the 3,000 most common; the list has some 20,000, few of which are long enough by themselves.
    known = common()
    refused = [one for one in sorted(known) if not weaknesses(one, words=(), common=known)]
    assert refused == []
    letters = [one for one in sorted(known) if one.isalpha()]
    longer = [f"{one}{'2026!' * 3}"[:MOST] for one in letters]
    assert len(letters) > 3_000
    assert [one for one in longer if not weaknesses(one, words=(), common=known)] == []


@given(st.text(min_size=0, max_size=MOST + 20))
def test_length_is_counted_in_characters_whatever_they_are(text: str) -> None:
    why = weaknesses(text, words=(), common=())
    assert (Weakness.SHORT in why) == (len(text) < LEAST)
    assert (Weakness.LONG in why) == (len(text) > MOST)


@given(
    st.text(alphabet=st.characters(categories=["Lu", "Ll", "Nd", "Po", "Zs"]), min_size=LEAST, max_size=40)
)
def test_no_kind_of_character_is_asked_for(text: str) -> None:
    """A password that is refused is refused for what it is, and not for what it lacks: adding words lets it pass."""
    assert weaknesses(f"{text} nine lanterns canal"[:MOST], words=(), common=common()) == []


# What is done with them


@pytest.fixture
def mailing(settings: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    settings.PUBLIC_URL = "https://wickround.example"
    monkeypatch.setattr(mail, "outbox", [], raising=False)


def send_owed(cast: Cast) -> list[Any]:
    """Carry out the mails about their sign-in that are owed to an operator's people; what went out."""
    with tenancy.reading(cast.owner):
        owed = list(Job.objects.filter(kind=telling.TELL, done_at=None).values_list("id", flat=True))
    for job_id in owed:
        telling.tell_person(cast.operator.id, job_id)
    return mail.outbox


def entries(cast: Cast, action: str) -> list[AuditEntry]:
    with tenancy.reading(cast.owner):
        return list(AuditEntry.objects.filter(action=action))


def test_a_change_asks_for_the_present_password_and_ends_the_other_sessions(
    north: Cast, mailing: None
) -> None:
    person, actor = north.users[Role.DISPATCHER], north.actors[Role.DISPATCHER]
    here, there = signed_in(north, Role.DISPATCHER), signed_in(north, Role.DISPATCHER)
    with pytest.raises(BadInput) as wrong:
        passwords.change_password(actor=actor, user_id=person.id, current="not this one", password=ANOTHER)
    assert [one.pointer for one in wrong.value.errors] == ["/current"]
    passwords.change_password(
        actor=actor,
        user_id=person.id,
        current=PASSWORD,
        password=ANOTHER,
        session_key=here.session.session_key or "",
    )
    changed = User.objects.get(id=person.id)
    assert (changed.check_password(ANOTHER), changed.check_password(PASSWORD)) == (True, False)
    assert changed.password_set_at == clock.now()
    assert [one.session_key for one in SignIn.objects.filter(user_id=person.id)] == [
        digest_of(here.session.session_key or "")
    ]
    assert there.get(f"/{north.operator.slug}/").status_code == 302
    (told,) = send_owed(north)
    assert told.to == [person.email]
    assert "was changed" in told.subject
    assert "http" not in told.body
    assert [one.actor_name for one in entries(north, "password_changed")] == [
        north.actors[Role.DISPATCHER].name
    ]


def test_a_weak_one_changes_nothing_and_names_the_operator_among_what_is_known(north: Cast) -> None:
    person, actor = north.users[Role.DISPATCHER], north.actors[Role.DISPATCHER]
    for weak in ("password1234", f"{north.operator.slug}", person.email, "elevenchars"):
        with pytest.raises(BadInput) as refused:
            passwords.change_password(actor=actor, user_id=person.id, current=PASSWORD, password=weak)
        assert [one.pointer for one in refused.value.errors] == ["/password"]
    assert User.objects.get(id=person.id).check_password(PASSWORD)
    assert entries(north, "password_changed") == []


def test_who_guesses_the_present_one_has_to_wait(north: Cast, later: Any) -> None:
    person, actor = north.users[Role.VIEWER], north.actors[Role.VIEWER]
    for _try in range(5):
        with pytest.raises(BadInput):
            passwords.require_own(user_id=person.id, password="a guess at it")
    with pytest.raises(TooMany) as refused:
        passwords.change_password(actor=actor, user_id=person.id, current=PASSWORD, password=ANOTHER)
    assert refused.value.retry_after_seconds == 1
    later(seconds=1)
    passwords.change_password(actor=actor, user_id=person.id, current=PASSWORD, password=ANOTHER)


def test_an_invitation_and_a_first_owner_are_held_to_the_same(north: Cast) -> None:
    invited = people.invite_member(
        actor=north.owner, email=f"jo@{north.operator.slug}.example", name="Jo", role=Role.VIEWER
    )
    assert invited.member.invited_at is not None
    link = people.Invitation(north.operator.id, invited.member.id, invited.member.invited_at)
    for weak in (f"{north.operator.slug}!", "password1234", "x" * 129):
        with pytest.raises(BadInput):
            people.take_up_invitation(invitation=link, password=weak)
    taken = people.take_up_invitation(invitation=link, password=ANOTHER)
    assert taken.password_set_at == clock.now()
    with pytest.raises(BadInput):
        operators.create_user(
            email="new@nowhere.example",
            name="New Person",
            password="harbour lane",
            operators=["Harbour Lane"],
        )
    with pytest.raises(ValidationError, match="too common"):
        password_validation.validate_password("password1234")


# Forgotten


def links_in(mails: list[Any]) -> list[str]:
    return [link for one in mails for link in re.findall(r"https://wickround\.example(\S+)", one.body)]


def test_whoever_works_here_gets_a_link_and_nobody_else_a_mail(north: Cast, mailing: None) -> None:
    person = north.users[Role.OWNER]
    forgotten.ask_for_new_password(email=f" {person.email.upper()} ", network="192.0.2.1")
    forgotten.ask_for_new_password(email=f"nobody@{north.operator.slug}.example", network="192.0.2.1")
    rows = ResetAsked.objects.all()
    assert rows.count() == 2
    assert all(person.email.encode() not in bytes(row.address) for row in rows)
    assert forgotten.answer_asked() == 2
    assert ResetAsked.objects.count() == 0
    (sent,) = mail.outbox
    assert sent.to == [person.email]
    (link,) = links_in([sent])
    assert link == forgotten.path_of(person)


def test_a_link_sets_a_password_once_and_signs_out_everywhere(north: Cast, mailing: None) -> None:
    person = north.users[Role.OWNER]
    visitor = signed_in(north, Role.OWNER)
    KnownDevice.objects.create(user=person, digest=b"d" * 32, made_at=clock.now(), seen_at=clock.now())
    token = forgotten.path_of(User.objects.get(id=person.id)).rsplit("/", 1)[-1]
    with pytest.raises(BadInput):
        passwords.reset_password(user_id=person.id, token=token, password="password1234")
    passwords.reset_password(user_id=person.id, token=token, password=ANOTHER)
    assert User.objects.get(id=person.id).check_password(ANOTHER)
    assert not SignIn.objects.filter(user_id=person.id).exists()
    assert not KnownDevice.objects.filter(user_id=person.id).exists()
    assert visitor.get(f"/{north.operator.slug}/").status_code == 302
    with pytest.raises(NotFound):
        passwords.reset_password(user_id=person.id, token=token, password="one more long phrase")
    assert ["new password" in one.subject for one in send_owed(north)] == [True]
    assert len(entries(north, "password_reset")) == 1


@pytest.mark.parametrize("minutes", [59, 61])
def test_a_link_holds_for_an_hour(north: Cast, later: Any, minutes: int) -> None:
    person = User.objects.get(id=north.users[Role.OWNER].id)
    token = passwords.tokens.make_token(person)
    later(minutes=minutes)
    assert passwords.is_good_token(person, token) == (minutes < 60)


def test_a_link_is_of_one_person_and_ends_with_their_next_sign_in(north: Cast, later: Any) -> None:
    person, other = (User.objects.get(id=north.users[role].id) for role in (Role.OWNER, Role.VIEWER))
    token = passwords.tokens.make_token(person)
    assert not passwords.is_good_token(other, token)
    assert not passwords.is_good_token(person, token[:-1] + ("0" if token[-1] != "0" else "1"))
    later(minutes=1)
    signed_in(north, Role.OWNER)
    assert not passwords.is_good_token(User.objects.get(id=person.id), token)


def test_who_is_invited_is_told_of_their_invitation_and_who_left_nothing(north: Cast, mailing: None) -> None:
    email = f"jo@{north.operator.slug}.example"
    people.invite_member(actor=north.owner, email=email, name="Jo", role=Role.VIEWER)
    left = north.users[Role.VIEWER]
    User.objects.filter(id=left.id).update(is_active=False)
    for address in (email, left.email):
        forgotten.ask_for_new_password(email=address, network="192.0.2.2")
    assert forgotten.answer_asked() == 2
    (sent,) = mail.outbox
    assert sent.to == [email]
    assert links_in([sent]) == []
    assert "you were invited" in sent.body


def test_an_address_and_a_network_can_not_ask_without_end(north: Cast, later: Any) -> None:
    def asked(email: str, network: str) -> bool:
        try:
            forgotten.ask_for_new_password(email=email, network=network)
        except TooMany:
            return False
        return True

    tag = north.operator.slug
    assert [asked(f"a@{tag}.example", f"{tag}-1") for _ in range(3)] == [True, True, False]
    hour = [(later(minutes=2), asked(f"a@{tag}.example", f"{tag}-{n}"))[1] for n in range(2, 32)]
    assert sum(hour) <= 3
    later(days=2)
    many = [asked(f"{n}@{tag}.example", tag) for n in range(30)]
    assert sum(many) == 8
    assert (
        not Tally.objects.filter(kind__startswith="reset")
        .extra(where=[f"key::text LIKE '%%{tag}%%'"])
        .exists()
    )
    ResetAsked.objects.all().delete()


def test_what_the_mail_server_does_not_take_waits_for_a_quarter_of_an_hour(
    north: Cast, mailing: None, later: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def away(_mail: Any) -> None:
        raise NotDelivered("The mail server could not be reached.")

    with monkeypatch.context() as patched:
        patched.setattr(forgotten, "hand_over", away)
        forgotten.ask_for_new_password(email=north.users[Role.OWNER].email, network="192.0.2.3")
        assert forgotten.answer_asked() == 0
        assert forgotten.is_asked()
    later(minutes=14)
    assert forgotten.answer_asked() == 1
    assert len(mail.outbox) == 1
    forgotten.ask_for_new_password(email=north.users[Role.DISPATCHER].email, network="192.0.2.3")
    later(minutes=16)
    assert forgotten.answer_asked() == 0
    assert not forgotten.is_asked()
    assert len(mail.outbox) == 1


# By whoever runs the service


def test_the_command_sets_one_or_prints_a_link(
    north: Cast, monkeypatch: pytest.MonkeyPatch, capsys: Any, settings: Any
) -> None:
    settings.PUBLIC_URL = "https://wickround.example"
    person = north.users[Role.OWNER]
    signed_in(north, Role.OWNER)
    typed = iter(["password1234", "password1234", ANOTHER, "not the same", ANOTHER, ANOTHER])
    monkeypatch.setattr(set_password, "getpass", lambda _prompt: next(typed))
    with pytest.raises(CommandError, match="too common"):
        call_command("set_password", person.email)
    with pytest.raises(CommandError, match="differ"):
        call_command("set_password", person.email)
    call_command("set_password", person.email)
    assert User.objects.get(id=person.id).check_password(ANOTHER)
    assert not SignIn.objects.filter(user_id=person.id).exists()
    (entry,) = entries(north, "password_set")
    assert (entry.actor_kind, entry.door) == ("system", "command set_password")
    call_command("set_password", person.email, "--link")
    assert forgotten.path_of(User.objects.get(id=person.id)) in capsys.readouterr().out
    with pytest.raises(CommandError, match="Nobody here"):
        call_command("set_password", "nobody@nowhere.example")


def test_links_hold_as_long_as_their_mail_says() -> None:
    assert timedelta(seconds=settings.PASSWORD_RESET_TIMEOUT) == timedelta(hours=1)
