"""The second factor: each code taken once, recovery codes, and who may take one from whom."""

from __future__ import annotations

import base64
import threading
from datetime import timedelta
from typing import Any

import pytest
from cryptography.hazmat.primitives.hashes import SHA1
from cryptography.hazmat.primitives.twofactor.totp import TOTP
from django.conf import settings
from django.core import mail
from django.core.management import CommandError, call_command
from django.db import connections

from accounts import clock, tenancy
from accounts.commands import people, second_factor, telling
from accounts.commands.operators import create_user
from accounts.errors import BadInput, Conflict, Forbidden, Gone, NotFound, TooMany
from accounts.models import AuditEntry, Job, Member, RecoveryCode, SecondFactor, SignIn, User
from accounts.permissions import Role
from accounts.queries import sealing
from accounts.queries.second_factor import has_second_factor, needs_second_factor, recovery_codes_left
from accounts.rules import second_factor as rules
from tests.cast import PASSWORD, Cast


@pytest.fixture(autouse=True)
def _machine(monkeypatch: pytest.MonkeyPatch) -> None:
    """Authenticators go by the machine's time; here that is the standing clock's."""
    monkeypatch.setattr(clock, "machine", clock.now)


def code_of(secret: bytes, steps: int = 0) -> str:
    """What an authenticator shows now, or some steps later; by another way than the product's own."""
    at = int(clock.now().timestamp()) + 30 * steps
    return TOTP(secret, 6, SHA1(), 30).generate(at).decode()


def with_factor(person: User) -> tuple[bytes, list[str]]:
    """A person's new authenticator, and their recovery codes."""
    sealed = second_factor.new_secret(person.id)
    secret = second_factor.secret_in(person.id, sealed)
    codes = second_factor.set_up(user_id=person.id, sealed=sealed, typed=code_of(secret, -1), replaces=True)
    return secret, codes


def entries(cast: Cast, action: str) -> list[AuditEntry]:
    with cast.reading():
        return list(AuditEntry.objects.filter(action=action).order_by("number"))


def owed(cast: Cast, person: User) -> list[str]:
    """What mails about their sign-in are owed to a person."""
    with cast.reading():
        jobs = Job.objects.filter(kind=telling.TELL, ref__startswith=str(person.id))
        return sorted(job.ref.partition("/")[2] for job in jobs)


# --- setting one up


def test_a_change_of_the_key_loses_no_second_factor(north: Cast, monkeypatch: pytest.MonkeyPatch) -> None:
    person = north.users[Role.VIEWER]
    secret, _codes = with_factor(person)
    before = settings.TEXT_KEY or settings.SECRET_KEY
    monkeypatch.setattr(settings, "TEXT_KEY", "a new random text of more than 32 characters")
    blob = SecondFactor.objects.get(user_id=person.id).secret
    assert sealing.unseal_bytes(second_factor.PURPOSE, person.id.bytes, blob) is None
    monkeypatch.setattr(settings, "TEXT_KEY_BEFORE", before)
    assert second_factor.seal_secrets_anew() >= 1
    monkeypatch.setattr(settings, "TEXT_KEY_BEFORE", "")
    assert not second_factor.give(user_id=person.id, typed=code_of(secret)).by_recovery_code
    # What others have in this database goes back under the key of the other tests.
    monkeypatch.setattr(settings, "TEXT_KEY_BEFORE", "a new random text of more than 32 characters")
    monkeypatch.setattr(settings, "TEXT_KEY", before)
    second_factor.seal_secrets_anew()


def test_a_second_factor_begins_with_its_first_code(north: Cast) -> None:
    person = north.users[Role.OWNER]
    sealed = second_factor.new_secret(person.id)
    secret = second_factor.secret_in(person.id, sealed)
    with pytest.raises(BadInput):
        second_factor.set_up(user_id=person.id, sealed=sealed, typed=code_of(secret, 5))
    assert not has_second_factor(person.id)
    assert owed(north, person) == []
    codes = second_factor.set_up(user_id=person.id, sealed=sealed, typed=code_of(secret))
    assert has_second_factor(person.id)
    assert len(set(codes)) == rules.RECOVERY_CODES == recovery_codes_left(person.id)
    assert owed(north, person) == ["second_factor_set_up"]
    assert [entry.actor_id for entry in entries(north, "second_factor_set_up")] == [north.owner.id]
    # The code that confirmed it is used up.
    with pytest.raises(BadInput, match="used already"):
        second_factor.give(user_id=person.id, typed=code_of(secret))


def test_who_knows_the_password_alone_replaces_nothing(north: Cast) -> None:
    person = north.users[Role.OWNER]
    first, second = (second_factor.new_secret(person.id) for _ in range(2))
    code = {one: code_of(second_factor.secret_in(person.id, one)) for one in (first, second)}
    second_factor.set_up(user_id=person.id, sealed=first, typed=code[first])
    with pytest.raises(Conflict):
        second_factor.set_up(user_id=person.id, sealed=second, typed=code[second])
    assert owed(north, person) == ["second_factor_set_up"]
    assert recovery_codes_left(person.id) == rules.RECOVERY_CODES


def test_a_sealed_secret_serves_nobody_else(north: Cast) -> None:
    sealed = second_factor.new_secret(north.users[Role.OWNER].id)
    for stranger, blob in ((Role.VIEWER, sealed), (Role.OWNER, "not base 64 at all"), (Role.OWNER, "")):
        with pytest.raises(Gone):
            second_factor.set_up(user_id=north.users[stranger].id, sealed=blob, typed="123456")


def test_the_database_has_neither_secrets_nor_codes(north: Cast, superuser: Any) -> None:
    person = north.users[Role.OWNER]
    secret, codes = with_factor(person)
    second_factor.renew_recovery_codes(user_id=person.id)
    looked_for = [secret, base64.b32encode(secret), secret.hex().encode()]
    looked_for += [code.encode() for code in codes] + [code.replace("-", "").encode() for code in codes]
    for table in ("accounts_secondfactor", "accounts_recoverycode", "accounts_auditentry", "accounts_job"):
        rows = superuser.execute(f"SELECT t::text FROM {table} t").fetchall()
        assert rows
        for (row,) in rows:
            assert not [one for one in looked_for if one in row.encode() or one.hex() in row]


def test_another_authenticator_takes_the_place_of_the_first(north: Cast, later: Any) -> None:
    person = north.users[Role.OWNER]
    first, codes = with_factor(person)
    second, _codes = with_factor(person)
    later(minutes=5)
    with pytest.raises(BadInput):
        second_factor.give(user_id=person.id, typed=code_of(first))
    with pytest.raises(BadInput):
        second_factor.give(user_id=person.id, typed=codes[0])
    assert not second_factor.give(user_id=person.id, typed=code_of(second)).by_recovery_code


# --- giving it


def test_a_code_is_taken_once_and_never_an_earlier_one_after_it(north: Cast, later: Any) -> None:
    person = north.users[Role.OWNER]
    secret, _codes = with_factor(person)
    later(minutes=2)
    assert second_factor.give(user_id=person.id, typed=code_of(secret)).codes_left == rules.RECOVERY_CODES
    for steps in (0, -1):
        with pytest.raises(BadInput, match="used already"):
            second_factor.give(user_id=person.id, typed=code_of(secret, steps))
    later(seconds=30)
    second_factor.give(user_id=person.id, typed=code_of(secret))


def test_of_many_who_give_one_code_at_once_one_is_let_in(north: Cast, later: Any) -> None:
    person = north.users[Role.OWNER]
    secret, codes = with_factor(person)
    later(minutes=2)
    for typed in (code_of(secret), codes[0]):
        fates: list[str] = []
        ready = threading.Barrier(4)

        def give(typed: str = typed, fates: list[str] = fates, ready: Any = ready) -> None:
            ready.wait()
            try:
                second_factor.give(user_id=person.id, typed=typed)
                fates.append("in")
            except BadInput:
                fates.append("out")
            finally:
                connections.close_all()

        threads = [threading.Thread(target=give) for _ in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert sorted(fates) == ["in", "out", "out", "out"]
    assert owed(north, person).count("recovery_code_used") == 1


def test_guessing_codes_takes_ever_longer_and_the_person_hears_of_it(north: Cast, later: Any) -> None:
    person = north.users[Role.OWNER]
    secret, codes = with_factor(person)
    later(minutes=2)
    wrong = next(
        code for code in ("000000", "111111") if rules.step_of(secret, code, clock.now().timestamp()) is None
    )
    for _ in range(5):
        with pytest.raises(BadInput):
            second_factor.give(user_id=person.id, typed=wrong)
    with pytest.raises(TooMany) as refused:
        second_factor.give(user_id=person.id, typed=code_of(secret))
    assert refused.value.retry_after_seconds == 1
    tried, until = 0, clock.now() + timedelta(hours=1)
    while clock.now() < until:
        try:
            second_factor.give(user_id=person.id, typed=wrong)
        except BadInput:
            tried += 1
        except TooMany as wait:
            later(seconds=wait.retry_after_seconds)
    # 1 + 2 + 4 + ... + 512 s, then one each 900 s: of a million codes, three of which hold at a time.
    assert tried <= 15
    assert owed(north, person) == ["codes_guessed", "second_factor_set_up"]
    # A recovery code is never kept waiting, and gives nothing away about the authenticator's count.
    assert second_factor.give(user_id=person.id, typed=codes[0]).by_recovery_code
    later(minutes=15)
    second_factor.give(user_id=person.id, typed=code_of(secret))
    later(minutes=1)
    for _ in range(4):
        with pytest.raises(BadInput):
            second_factor.give(user_id=person.id, typed=wrong)
    later(minutes=1)
    second_factor.give(user_id=person.id, typed=code_of(secret))


def test_a_recovery_code_serves_once_and_only_its_person(north: Cast, south: Cast) -> None:
    person = north.users[Role.OWNER]
    _secret, codes = with_factor(person)
    with_factor(south.users[Role.OWNER])
    with pytest.raises(BadInput) as refused:
        second_factor.give(user_id=south.users[Role.OWNER].id, typed=codes[0])
    assert refused.value.errors[0].pointer == "/recovery"
    given = second_factor.give(user_id=person.id, typed=codes[0].lower().replace("-", " "))
    assert (given.by_recovery_code, given.codes_left) == (True, rules.RECOVERY_CODES - 1)
    with pytest.raises(BadInput):
        second_factor.give(user_id=person.id, typed=codes[0])
    assert [entry.about for entry in entries(north, "recovery_code_used")] == [{"left": 9}]
    fresh = second_factor.renew_recovery_codes(user_id=person.id)
    assert RecoveryCode.objects.filter(user_id=person.id).count() == rules.RECOVERY_CODES
    with pytest.raises(BadInput):
        second_factor.give(user_id=person.id, typed=codes[1])
    assert second_factor.give(user_id=person.id, typed=fresh[0]).by_recovery_code


def test_nobody_without_a_second_factor_gives_one(north: Cast) -> None:
    person = north.users[Role.VIEWER]
    for typed in ("123456", "01ABC-DEFGH-JKMNP-QRSTV-WXYZ2", "", "x"):
        with pytest.raises(BadInput):
            second_factor.give(user_id=person.id, typed=typed)


# --- who needs one, and who takes it away


def test_owners_and_bookkeepers_need_one_and_people_of_the_service_always(
    north: Cast, south: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    helper = create_user(email=f"help@{north.operator.slug}.example", name="Hel Per", password=PASSWORD)
    User.objects.filter(id=helper.id).update(is_support=True)
    helper.refresh_from_db()
    monkeypatch.setattr(settings, "SECOND_FACTOR_NEEDED", True)
    assert {role for role, person in north.users.items() if needs_second_factor(person)} == {
        Role.OWNER,
        Role.BOOKKEEPER,
    }
    assert needs_second_factor(helper)
    # Any membership counts: whoever keeps the books elsewhere gives a code here too.
    viewer = north.users[Role.VIEWER]
    with tenancy.writing(south.owner):
        Member.objects.create(user_id=viewer.id, role=Role.BOOKKEEPER, name=viewer.name)
    assert needs_second_factor(viewer)
    monkeypatch.setattr(settings, "SECOND_FACTOR_NEEDED", False)
    assert not [person for person in north.users.values() if needs_second_factor(person)]
    assert needs_second_factor(helper)


def test_it_is_removed_only_where_it_is_not_needed(north: Cast, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(settings, "SECOND_FACTOR_NEEDED", True)
    owner, viewer = north.users[Role.OWNER], north.users[Role.VIEWER]
    with pytest.raises(NotFound):
        second_factor.remove(user_id=viewer.id)
    for person in (owner, viewer):
        with_factor(person)
    with pytest.raises(Conflict):
        second_factor.remove(user_id=owner.id)
    assert has_second_factor(owner.id)
    second_factor.remove(user_id=viewer.id)
    assert not has_second_factor(viewer.id)
    assert recovery_codes_left(viewer.id) == 0
    assert owed(north, viewer) == ["second_factor_removed", "second_factor_set_up"]


def test_an_owner_resets_that_of_a_member_of_theirs_alone(north: Cast, south: Cast) -> None:
    viewer, bookkeeper = north.users[Role.VIEWER], north.users[Role.BOOKKEEPER]
    member = north.actors[Role.VIEWER].id
    assert member is not None
    with pytest.raises(Conflict):
        second_factor.reset_of_member(actor=north.owner, member_id=member)
    for person in (viewer, bookkeeper, north.users[Role.OWNER]):
        with_factor(person)
    with pytest.raises(Forbidden):
        second_factor.reset_of_member(actor=north.dispatcher, member_id=member)
    with pytest.raises(NotFound):
        second_factor.reset_of_member(actor=south.owner, member_id=member)
    with pytest.raises(Conflict, match="their own"):
        second_factor.reset_of_member(actor=north.owner, member_id=north.owner.id)  # type: ignore[arg-type]
    assert has_second_factor(viewer.id)
    second_factor.reset_of_member(actor=north.owner, member_id=member)
    assert not has_second_factor(viewer.id)
    assert recovery_codes_left(viewer.id) == 0
    assert owed(north, viewer) == ["second_factor_reset", "second_factor_set_up"]
    found = entries(north, "second_factor_reset")
    assert [(one.actor_id, one.kind, one.row_id) for one in found] == [
        (north.owner.id, "member", str(member))
    ]
    # Who works for a rival too is not this owner's to let in there, and the refusal does not say that they do.
    with tenancy.writing(south.owner):
        Member.objects.create(user_id=bookkeeper.id, role=Role.VIEWER, name=bookkeeper.name)
    with pytest.raises(Conflict) as refused:
        second_factor.reset_of_member(actor=north.owner, member_id=north.actors[Role.BOOKKEEPER].id)  # type: ignore[arg-type]
    assert south.operator.name not in refused.value.detail
    assert has_second_factor(bookkeeper.id)


def test_whoever_runs_the_service_resets_any_by_a_command(north: Cast, south: Cast) -> None:
    person = north.users[Role.OWNER]
    with tenancy.writing(south.owner):
        Member.objects.create(user_id=person.id, role=Role.VIEWER, name=person.name)
    with pytest.raises(CommandError, match="no second factor"):
        call_command("reset_second_factor", person.email)
    with pytest.raises(CommandError, match="Nobody"):
        call_command("reset_second_factor", "nobody@nowhere.example")
    with_factor(person)
    call_command("reset_second_factor", person.email.upper())
    assert not has_second_factor(person.id)
    for cast in (north, south):
        (entry,) = entries(cast, "second_factor_reset")
        assert (entry.door, entry.actor_kind) == ("command reset_second_factor", "system")


def test_changes_of_it_end_the_other_sessions(north: Cast, later: Any) -> None:
    from tests.pages.visitors import signed_in

    person = north.users[Role.VIEWER]

    def sessions() -> int:
        return SignIn.objects.filter(user_id=person.id).count()

    signed_in(north, Role.VIEWER), signed_in(north, Role.VIEWER)
    signed_in(north, Role.OWNER)
    assert sessions() == 2
    with_factor(person)
    assert sessions() == 0
    here = signed_in(north, Role.VIEWER)
    signed_in(north, Role.VIEWER)
    second_factor.renew_recovery_codes(user_id=person.id, session_key=here.session.session_key)  # type: ignore[arg-type]
    assert sessions() == 1
    assert here.get(f"/{north.operator.slug}/me").status_code == 200
    second_factor.reset_of_member(actor=north.owner, member_id=north.actors[Role.VIEWER].id)  # type: ignore[arg-type]
    assert sessions() == 0
    assert SignIn.objects.filter(user_id=north.users[Role.OWNER].id).count() == 1


def test_people_are_told_by_mail_in_their_own_language(north: Cast, settings: Any) -> None:
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    person = north.users[Role.VIEWER]
    people.set_own_locale(actor=north.actors[Role.VIEWER], locale="de-DE")
    with_factor(person)
    with north.reading():
        job = Job.objects.get(kind=telling.TELL, ref__startswith=str(person.id))
    mail.outbox.clear()
    assert telling.tell_person(north.operator.id, job.id)
    assert not telling.tell_person(north.operator.id, job.id)
    (sent,) = mail.outbox
    assert sent.to == [person.email]
    assert sent.subject == "Für Ihre Anmeldung wurde ein zweiter Faktor eingerichtet"
    assert person.email in sent.body
    assert "http" not in sent.body
    assert sent.extra_headers["Auto-Submitted"] == "auto-generated"


def test_where_no_mail_is_set_up_the_job_says_so(north: Cast) -> None:
    person = north.users[Role.VIEWER]
    settings_backend = settings.EMAIL_BACKEND
    settings.EMAIL_BACKEND = "django.core.mail.backends.dummy.EmailBackend"
    try:
        with_factor(person)
        with north.reading():
            job = Job.objects.get(kind=telling.TELL, ref__startswith=str(person.id))
        assert telling.tell_person(north.operator.id, job.id)
    finally:
        settings.EMAIL_BACKEND = settings_backend
    with north.reading():
        assert "No mail server" in Job.objects.get(id=job.id).last_error


@pytest.mark.parametrize("what", sorted(telling.NEWS))
def test_every_news_can_be_said(what: str) -> None:
    from accounts.languages import Manner, _, speaking

    news = telling.NEWS[what]
    for locale in ("en-GB", "de-DE"):
        with speaking(Manner(locale)):
            assert "jo@north.example" in _(news.body, email="jo@north.example")
            assert "\n" not in _(news.subject)
