"""Sessions as rows: kept under a digest, for as long as roles allow, ended and removed; and the browsers people are known by."""

from __future__ import annotations

import hashlib
from datetime import timedelta
from typing import Any

import pytest
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.base import UpdateError

from accounts import origin, tasks
from accounts.commands import sessions
from accounts.errors import NotFound
from accounts.ids import uuid7
from accounts.models import KnownDevice, SignIn, User
from accounts.permissions import LIFETIMES, Lifetime, Role
from accounts.queries.sessions import known_device, words_of
from accounts.rules.agents import Agent, read_agent
from accounts.rules.lifetimes import ends_at, shortest
from accounts.sessions import SessionStore, digest_of
from tests.cast import NOON, Cast


def session_of(user: User | None) -> SessionStore:
    store = SessionStore()
    if user is not None:
        store[SESSION_KEY] = str(user.id)
        store[BACKEND_SESSION_KEY] = "django.contrib.auth.backends.ModelBackend"
        store[HASH_SESSION_KEY] = user.get_session_auth_hash()
    store["said"] = "something"
    store.save()
    return store


def row_of(store: SessionStore) -> SignIn:
    assert store.session_key is not None
    return SignIn.objects.get(session_key=digest_of(store.session_key))


@pytest.fixture
def viewer(north: Cast) -> User:
    return north.users[Role.VIEWER]


def test_the_key_is_not_in_the_row(viewer: User):
    store = session_of(viewer)
    row = row_of(store)

    assert store.session_key is not None
    assert row.session_key == hashlib.sha256(store.session_key.encode()).hexdigest()[:40]
    assert store.session_key not in "".join(str(value) for value in vars(row).values())
    # Who has the row has no key: what it is kept under opens nothing.
    assert dict(SessionStore(row.session_key).items()) == {}
    assert SessionStore(store.session_key)["said"] == "something"


def test_before_the_sign_in_a_session_holds_a_quarter_of_an_hour(later: Any, north: Cast):
    store = session_of(None)
    assert store.get_expiry_age() == 900

    later(minutes=14, seconds=59)
    assert SessionStore(store.session_key)["said"] == "something"
    later(seconds=1)
    assert "said" not in SessionStore(store.session_key)


def test_another_key_is_the_same_session_and_begins_no_new_time(viewer: User, later: Any):
    """As for a person who confirms who they are: else a session could be drawn out for ever."""
    with origin.coming_from(origin.Origin(address="192.0.2.1", agent="Somebody/1")):
        store = session_of(viewer)
    before = store.session_key
    later(hours=11)
    store = SessionStore(before)

    with origin.coming_from(origin.Origin(address="192.0.2.2", agent="Somebody/2")):
        store.cycle_key()
        store.save()

    row = row_of(store)
    assert store.session_key != before
    assert not SignIn.objects.filter(session_key=digest_of(before or "")).exists()
    assert (row.started_at, row.address, row.agent) == (NOON, "192.0.2.1", "Somebody/1")
    assert row.expire_date == NOON + timedelta(hours=23)
    assert store.get_expiry_age() == 13 * 3600


def test_who_signs_in_begins_a_session_of_their_own(viewer: User, later: Any):
    store = session_of(None)
    later(minutes=10)
    store.cycle_key()
    store[SESSION_KEY] = str(viewer.id)
    store.save()

    assert row_of(store).started_at == NOON + timedelta(minutes=10)


def test_an_ended_session_is_not_saved_into_being_again(viewer: User, later: Any):
    store = session_of(viewer)
    other = SessionStore(store.session_key)
    assert other["said"] == "something"
    sessions.end_sessions(viewer.id)

    store["said"] = "more"
    with pytest.raises(UpdateError):
        store.save()
    later(minutes=5)
    sessions.note_use(other)

    assert not SignIn.objects.filter(user=viewer).exists()


def test_end_sessions_leaves_the_one_that_is_named(viewer: User, north: Cast):
    kept, *others = [session_of(viewer) for _ in range(3)]
    elsewhere = session_of(north.users[Role.OWNER])

    assert sessions.end_sessions(viewer.id, but=kept.session_key or "") == 2

    assert row_of(kept).user_id == viewer.id
    assert row_of(elsewhere).user_id == north.users[Role.OWNER].id
    assert [SessionStore(one.session_key).get("said") for one in others] == [None, None]


def test_the_use_of_a_session_never_takes_it_beyond_its_end(viewer: User, later: Any):
    store = session_of(viewer)
    for _hour in range(5):
        later(hours=4)
        store = SessionStore(store.session_key)
        assert store["said"] == "something"
        sessions.note_use(store)

    assert row_of(store).expire_date == NOON + timedelta(hours=24)


def test_a_person_without_a_role_has_the_shortest_life(north: Cast):
    nobody = User(id=uuid7(), email=f"{uuid7()}@nowhere.example", name="Nobody", password="!")
    nobody.save(force_insert=True)

    assert row_of(session_of(nobody)).expire_date == NOON + timedelta(minutes=30)


def test_the_shortest_of_each_holds():
    wanted = Lifetime(timedelta(minutes=30), timedelta(hours=12))

    assert shortest([Role.CREW_MEMBER]) == Lifetime(timedelta(hours=12), timedelta(days=7))
    assert shortest([Role.CREW_MEMBER, Role.OWNER]) == wanted
    assert shortest([]) == wanted
    # OWASP ASVS 5.0.0, 7.3.1 and 7.3.2: each role has both an idle and an absolute time.
    assert LIFETIMES.keys() == set(Role)
    assert all(timedelta(0) < one.idle <= one.most for one in LIFETIMES.values())
    assert ends_at(wanted, NOON, NOON + timedelta(hours=11, minutes=45)) == NOON + timedelta(hours=12)
    assert ends_at(wanted, NOON, NOON) == NOON + timedelta(minutes=30)


def test_what_is_over_is_removed(viewer: User, north: Cast, later: Any):
    over = session_of(viewer)
    sessions.know_device(viewer.id, cookie="")
    later(days=399)
    lives = session_of(north.users[Role.CREW_MEMBER])
    sessions.know_device(north.users[Role.OWNER].id, cookie="")

    tasks.forget_done()

    assert row_of(lives).user_id == north.users[Role.CREW_MEMBER].id
    assert not SignIn.objects.filter(session_key=digest_of(over.session_key or "")).exists()
    assert KnownDevice.objects.filter(user=viewer).exists()
    later(days=2)
    tasks.forget_done()
    assert not KnownDevice.objects.filter(user=viewer).exists()
    assert KnownDevice.objects.filter(user=north.users[Role.OWNER]).exists()


# Browsers


def test_a_browser_is_known_for_its_person_alone(viewer: User, north: Cast):
    cookie = sessions.know_device(viewer.id, cookie="")

    known = known_device(viewer.email, cookie)

    assert known is not None
    assert known.user_id == viewer.id
    assert known_device(north.users[Role.OWNER].email, cookie) is None
    assert known_device(viewer.email, cookie[:-1]) is None
    assert known_device(viewer.email, bytes(known.digest).hex()) is None
    assert known_device(viewer.email, "") is None


def test_a_browser_keeps_the_words_of_the_last_few_people(north: Cast):
    cookie, users = "", [north.users[role] for role in Role]
    for user in users:
        cookie = sessions.know_device(user.id, cookie=cookie)

    assert len(words_of(cookie)) == 5
    assert [known_device(user.email, cookie) is not None for user in users] == [False] + [True] * 5
    # Who comes back stays known by the same word, which is the newest now.
    again = sessions.know_device(users[2].id, cookie=cookie)
    assert sorted(words_of(again)) == sorted(words_of(cookie))
    assert KnownDevice.objects.filter(user=users[2]).count() == 1
    assert known_device(users[2].email, words_of(again)[0]) is not None


def test_ten_browsers_are_known_at_most_those_seen_last(viewer: User, later: Any):
    first = sessions.know_device(viewer.id, cookie="")
    second = sessions.know_device(viewer.id, cookie="")
    later(minutes=1)
    sessions.know_device(viewer.id, cookie=first)
    for _n in range(9):
        later(minutes=1)
        sessions.know_device(viewer.id, cookie="")

    assert KnownDevice.objects.filter(user=viewer).count() == 10
    assert known_device(viewer.email, first) is not None
    assert known_device(viewer.email, second) is None


def test_a_browser_is_forgotten_by_its_person_alone(viewer: User, north: Cast):
    sessions.know_device(viewer.id, cookie="")
    device = KnownDevice.objects.get(user=viewer)

    with pytest.raises(NotFound):
        sessions.forget_device(north.users[Role.OWNER].id, device_id=device.id)
    sessions.forget_device(viewer.id, device_id=device.id)
    with pytest.raises(NotFound):
        sessions.forget_device(viewer.id, device_id=device.id)


@pytest.mark.parametrize(
    ("said", "read"),
    [
        # The forms that browsers have had for twenty years, with invented names (from memory).
        (
            "Mozilla/5.0 (Desk 10.0; Bits64; x64; rv:128.0) Engine/20100101 Prowser/128.0",
            Agent("Prowser 128", "Desk 10.0, Bits64", is_handheld=False),
        ),
        (
            "Mozilla/5.0 (Desk 10.0) Web/537.36 (KX, like Engine) Prowser/124.0.0.0 Old/537.36",
            Agent("Prowser 124", "Desk 10.0", is_handheld=False),
        ),
        (
            "Mozilla/5.0 (Desk 10.0) Web/537.36 (KX, like Engine) Prowser/124.0.0.0 Old/537.36 Child/12.1",
            Agent("Child 12", "Desk 10.0", is_handheld=False),
        ),
        (
            "Mozilla/5.0 (Slab; CPU Slab 17_4) Web/605.1 (KX, like Engine) Version/17.4 Mobile/15E1 Old/604.1",
            Agent("Old 17", "Slab, CPU Slab 17_4", is_handheld=True),
        ),
        ("fetcher/8.5.0", Agent("fetcher 8", "", is_handheld=False)),
        ("", Agent("", "", is_handheld=False)),
        ("((((/", Agent("", "", is_handheld=False)),
        ("\x00\x1b[31mred/1", Agent("[31mred 1", "", is_handheld=False)),
        ("x" * 100_000 + "/1", Agent("x" * 60, "", is_handheld=False)),
    ],
)
def test_a_browser_is_named_by_what_it_says(said: str, read: Agent):
    assert read_agent(said) == read
