"""Taking everything along and having the operator closed, on pages."""

from __future__ import annotations

import io
import json
import threading
import zipfile
from typing import Any

import pytest
from django.core import mail

from accounts import clock, tenancy
from accounts.commands import closing
from accounts.jobs import Job
from accounts.models import AuditEntry, Closing
from accounts.permissions import Role
from accounts.tasks import tell_of_closing
from config import exporting
from config.exporting.growing import Abandoned, Growing
from tests.cast import Cast
from tests.pages.visitors import Visitor, signed_in, text_of

LOCMEM = "django.core.mail.backends.locmem.EmailBackend"


def page_of(cast: Cast, page: str) -> str:
    return f"/{cast.operator.slug}/set-up/{page}"


def opened(answer: Any) -> zipfile.ZipFile:
    return zipfile.ZipFile(io.BytesIO(answer.getvalue()))


def test_an_owner_takes_everything_along(north: Cast) -> None:
    owner, page = signed_in(north, Role.OWNER), page_of(north, "everything")
    assert "Everything of" in text_of(owner.get(page))

    answer = owner.submit(page)

    assert (answer.status_code, answer["Content-Type"]) == (200, "application/zip")
    assert answer["Content-Disposition"] == f'attachment; filename="{north.operator.slug}-2026-06-15.zip"'
    assert "no-store" in answer["Cache-Control"]
    whole = opened(answer)
    assert whole.testzip() is None
    manifest = json.loads(whole.read("manifest.json"))
    assert manifest["operator"]["slug"] == north.operator.slug
    with tenancy.reading(north.owner):
        noted = AuditEntry.objects.get(action="exported")
    assert (noted.actor_name, noted.number) == ("Owner", manifest["audit_number"])


def test_it_speaks_the_owners_language(north: Cast) -> None:
    owner = signed_in(north, Role.OWNER)
    owner.submit(f"/{north.operator.slug}/me", locale="de-DE")

    readme = opened(owner.submit(page_of(north, "everything"))).read("README.txt").decode()

    assert readme.startswith(f"Alles von {north.operator.slug}, Stand 2026-06-15 12:00 UTC.")


@pytest.mark.parametrize("role", [role for role in Role if role is not Role.OWNER])
@pytest.mark.parametrize("page", ["everything", "close", "close/withdraw"])
def test_nobody_else_does_any_of_it(north: Cast, role: Role, page: str) -> None:
    visitor = signed_in(north, role)
    assert visitor.submit(page_of(north, page), slug=north.operator.slug).status_code == 403


def test_two_files_read_in_turn_hold_each_their_own(north: Cast, south: Cast) -> None:
    """One thread reads a piece of one, then of the other, as an interleaved server may."""
    answers = [signed_in(cast, Role.OWNER).submit(page_of(cast, "everything")) for cast in (north, south)]
    pieces: list[list[bytes]] = [[], []]
    readers = [iter(answer) for answer in answers]
    waiting = [0, 1]
    while waiting:
        for number in list(waiting):
            piece = next(readers[number], None)
            if piece is None:
                waiting.remove(number)
            else:
                pieces[number].append(piece)
    for answer in answers:
        answer.close()

    slugs = [
        json.loads(zipfile.ZipFile(io.BytesIO(b"".join(some))).read("manifest.json"))["operator"]["slug"]
        for some in pieces
    ]
    assert slugs == [north.operator.slug, south.operator.slug]


def test_a_second_one_at_the_same_time_is_refused_in_a_sentence(
    north: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    owner, page, goes_on = signed_in(north, Role.OWNER), page_of(north, "everything"), threading.Event()
    log_lines = exporting.log_lines
    monkeypatch.setattr(exporting, "log_lines", lambda: (goes_on.wait(60), log_lines())[1])
    first = owner.submit(page)
    second = owner.submit(page)
    goes_on.set()
    assert (second.status_code, "being written out at this moment" in text_of(second)) == (409, True)
    assert opened(first).testzip() is None


def test_one_that_breaks_off_never_reads_as_whole(north: Cast, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(exporting, "document_files", _breaks)
    answer = signed_in(north, Role.OWNER).submit(page_of(north, "everything"))
    with pytest.raises(RuntimeError, match="no documents"):
        answer.getvalue()
    answer.close()


def _breaks() -> Any:
    raise RuntimeError("no documents today")


def test_a_reader_who_goes_away_ends_the_writing() -> None:
    ended = threading.Event()

    def write(out: Any, begun: Any) -> None:
        begun()
        try:
            while True:
                out.write(b"x" * 1000)
        except Abandoned:
            ended.set()
            raise

    growing = Growing(write)
    assert next(iter(growing)).startswith(b"x")
    growing.close()
    assert ended.wait(10)


def test_what_is_refused_before_the_first_byte_is_raised_where_it_was_asked() -> None:
    def write(_out: Any, _begun: Any) -> None:
        raise ValueError("not today")

    with pytest.raises(ValueError, match="not today"):
        Growing(write)


# Closing


def test_an_owner_asks_for_it_and_withdraws_it(north: Cast) -> None:
    owner, page = signed_in(north, Role.OWNER), page_of(north, "close")
    assert f"{north.operator.slug} is open." in text_of(owner.get(page))
    wrong = owner.submit(page, slug="another")
    assert (wrong.status_code, f"Type {north.operator.slug}" in text_of(wrong)) == (400, True)
    assert 'value="another"' in wrong.content.decode()

    answer = owner.submit(page, slug=north.operator.slug)

    assert (answer.status_code, answer["Location"]) == (302, page)
    banner = (
        f"{north.operator.slug} is to be closed: from Wednesday 15 July 2026 on everything may be deleted."
    )
    for role in (Role.OWNER, Role.DISPATCHER, Role.NETWORK):
        home = "royalty/" if role is Role.NETWORK else ""
        shown = text_of(signed_in(north, role).get(f"/{north.operator.slug}/{home}"))
        assert (banner in shown, "Withdraw it" in shown) == (True, role is Role.OWNER)
    again = owner.submit(page, slug=north.operator.slug)
    assert (again.status_code, "to be closed already" in text_of(again)) == (409, True)

    owner.submit(page_of(north, "close/withdraw"))

    assert banner not in text_of(owner.get(page))
    twice = owner.submit(page_of(north, "close/withdraw"))
    assert (twice.status_code, "is not to be closed" in text_of(twice)) == (409, True)
    owner.submit(page, slug=north.operator.slug)
    with tenancy.reading(north.owner):
        assert Closing.objects.count() == 2
        assert Closing.objects.get(withdrawn_at=None).asked_by_id == north.owner.id


def test_everybody_works_on_while_it_is_to_be_closed(north: Cast) -> None:
    closing.ask_to_close(actor=north.owner, slug=north.operator.slug)
    assert [fate.fate for fate in north.upload(north.installed())] == ["accepted"]


def run_owed(cast: Cast) -> int:
    with tenancy.reading(cast.owner):
        owed = list(Job.objects.filter(kind=closing.TELL, done_at=None).order_by("id"))
    for job in owed:
        tell_of_closing(str(cast.operator.id), str(job.id))
    return len(owed)


def test_all_owners_are_told(north: Cast, settings: Any) -> None:
    settings.EMAIL_BACKEND = LOCMEM
    mail.outbox.clear()
    _second_owner(north)
    closing.ask_to_close(actor=north.owner, slug=north.operator.slug)

    assert run_owed(north) == 2

    assert sorted(one.to[0] for one in mail.outbox) == sorted(
        [north.users[Role.OWNER].email, north.users[Role.VIEWER].email]
    )
    for one in mail.outbox:
        assert one.subject == f"{north.operator.slug} is to be closed"
        assert f"Owner asked for {north.operator.slug} to be closed. From 15 Jul 2026 on" in one.body
    closing.withdraw_closing(actor=north.owner)
    assert run_owed(north) == 2
    assert [one.subject for one in mail.outbox[2:]] == [f"{north.operator.slug} stays open"] * 2


def _second_owner(cast: Cast) -> None:
    from accounts.commands import people

    viewer = cast.actors[Role.VIEWER]
    assert viewer.id is not None
    people.change_member(actor=cast.owner, member_id=viewer.id, name="Viewer", role=Role.OWNER)


def test_withdrawn_before_the_mail_goes_out_only_the_second_does(north: Cast, settings: Any) -> None:
    settings.EMAIL_BACKEND = LOCMEM
    mail.outbox.clear()
    closing.ask_to_close(actor=north.owner, slug=north.operator.slug)
    closing.withdraw_closing(actor=north.owner)

    assert run_owed(north) == 2
    assert [one.subject for one in mail.outbox] == [f"{north.operator.slug} stays open"]


def test_a_rivals_owner_closes_nothing(north: Cast, south: Cast) -> None:
    visitor = signed_in(south, Role.OWNER)
    answers = [
        visitor.submit(page_of(north, page)).status_code for page in ("close", "close/withdraw", "everything")
    ]
    assert answers == [404, 404, 404]


def test_whoever_is_signed_out_is_asked_to_sign_in(north: Cast) -> None:
    answer = Visitor().get(page_of(north, "close"))
    assert answer["Location"].startswith("/sign-in/")
    assert clock.now().year == 2026
