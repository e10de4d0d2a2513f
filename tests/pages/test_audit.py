"""The page on which owners read who changed what, from where, and the file of it; and that pages leave entries."""

from __future__ import annotations

import csv
import io
import json
import re

import pytest

from accounts import auditing, queries, tenancy
from accounts.commands import clients, people
from accounts.models import AuditEntry, Member, Site, SiteContact
from accounts.pages import audit_words
from accounts.permissions import Role
from tests.audited import Recorder
from tests.cast import NOON
from tests.pages.visitors import Visitor, signed_in, text_of


def page(cast, rest=""):
    return f"/{cast.operator.slug}/set-up/audit{rest}"


def test_an_owner_reads_who_changed_what_from_where(north):
    with tenancy.writing(north.dispatcher):
        contact = SiteContact.objects.create(
            site=north.site, name="Ann Porter", email="ann@site.example", added_at=NOON
        )
        SiteContact.objects.filter(id=contact.id).update(wants_announcements=False, name="Bo Porter")
    owner = signed_in(north, Role.OWNER)
    owner.submit(f"/{north.operator.slug}/set-up/crew", name="Crew Late")

    answer = owner.get(page(north))
    said = text_of(answer)

    assert answer.status_code == 200
    code, who, boss = north.site.code, north.dispatcher.name, north.owner.name
    assert f"{who} added the contact of a site {code}" in said
    assert (
        f"{who} changed the contact of a site {code}: name, wants to be told of visits "
        "wants to be told of visits: yes → no" in said
    )
    assert f"{boss} added the crew Crew Late" in said
    assert "127.0.0.1" in said
    assert "POST add-crew" in said
    assert re.search(r"Request [0-9a-f]{8}-[0-9a-f]{4}-7", said)
    assert "Porter" not in said


def test_it_is_for_owners_alone(north, south):
    for role in set(Role) - {Role.OWNER}:
        assert signed_in(north, role).get(page(north)).status_code == 403
        assert signed_in(north, role).get(page(north, ".csv")).status_code == 403
    assert signed_in(south, Role.OWNER).get(page(north)).status_code == 404
    assert Visitor().get(page(north)).status_code == 302


def test_it_is_read_a_page_at_a_time_the_newest_first(north):
    with tenancy.writing(north.owner):
        for number in range(120):
            auditing.note(action="looked", kind="page", row_id=f"p{number}")
    owner, seen, address = signed_in(north, Role.OWNER), [], page(north, "?kind=page")
    for _ in range(3):
        answer = owner.get(address)
        seen += [int(one) for one in re.findall(r"looked at the page p(\d+)", text_of(answer))]
        older = re.search(r'href="\?([^"]*before=\d+)"', answer.content.decode())
        if older is None:
            break
        address = page(north, "?" + older[1].replace("&amp;", "&"))

    assert seen == list(reversed(range(120)))


def test_it_is_found_by_who_kind_row_and_day(north, later):
    owner = signed_in(north, Role.OWNER)
    with tenancy.writing(north.dispatcher):
        auditing.note(action="looked", kind="page", row_id="of the dispatcher")
    later(days=2)
    owner = signed_in(north, Role.OWNER)
    with tenancy.writing(north.owner):
        auditing.note(action="looked", kind="page", row_id="of the owner")

    def found(query):
        said = text_of(owner.get(page(north, f"?{query}")))
        return {name for name in ("dispatcher", "owner") if f"page of the {name}" in said}

    assert found("kind=page") == {"dispatcher", "owner"}
    assert found(f"kind=page&who={north.dispatcher.id}") == {"dispatcher"}
    assert found("kind=page&day=2026-06-17") == {"owner"}
    assert found("kind=page&day=2026-06-15") == {"dispatcher"}
    assert found("kind=page&row=of+the+owner") == {"owner"}
    assert found("kind=site") == set()
    assert found("who=nobody") == set()
    assert found("who=database") == set()
    # What can't be read is as if it had not been asked.
    assert found("kind=page&day=tomorrow&before=x") == {"dispatcher", "owner"}
    # The last day of the calendar has no day after it.
    assert found("kind=page&day=9999-12-31") == {"dispatcher", "owner"}
    assert found("kind=page&day=0001-01-01") == set()


def test_a_code_is_not_taken_for_the_number_of_a_program(north):
    """Programs have small numbers, as many codes are."""
    client, _secret = clients.make_client(actor=north.owner, name="Books", scopes=["invoices:read"])
    with tenancy.writing(north.owner):
        Site.objects.filter(id=north.site.id).update(code=str(client.pk))

    said = text_of(signed_in(north, Role.OWNER).get(page(north)))

    assert f"code: {north.site.code} → {client.pk} " in said


def test_days_are_those_of_the_operators_zone(north, later):
    """Berlin is two hours ahead of UTC in June."""
    later(hours=10)  # 22:00 UTC is midnight in Berlin
    with tenancy.writing(north.owner):
        auditing.note(action="looked", kind="page", row_id="after midnight")
    owner = signed_in(north, Role.OWNER)

    assert "after midnight" in text_of(owner.get(page(north, "?day=2026-06-16")))
    assert "after midnight" not in text_of(owner.get(page(north, "?day=2026-06-15")))


def test_the_file_holds_every_entry_and_is_itself_one(north):
    with tenancy.writing(north.owner):
        auditing.note(action="looked", kind="page", row_id='=1+1,"a"\r\nb')
    answer = signed_in(north, Role.OWNER).get(page(north, ".csv"))
    rows = list(csv.DictReader(io.StringIO(b"".join(answer.streaming_content).decode(), newline="")))

    assert answer.headers["Content-Type"] == "text/csv; charset=utf-8"
    assert f'filename="audit-{north.operator.slug}.csv"' in answer.headers["Content-Disposition"]
    with tenancy.reading(north.owner):
        entries = {entry.number: entry for entry in AuditEntry.objects.all()}
    assert [int(row["number"]) for row in rows] == sorted(entries, reverse=True)
    assert (rows[0]["action"], rows[0]["kind"]) == ("exported", "audit")
    for row in rows:
        entry = entries[int(row["number"])]
        assert row["hash"] == bytes(entry.hash).hex()
        assert json.loads(row["about"]) == entry.about
        assert row["row_id"] == ("'" if entry.row_id.startswith("=") else "") + entry.row_id


def test_the_file_of_many_entries_is_read_in_chunks(north, monkeypatch):
    monkeypatch.setattr("accounts.pages.audit.FILE_CHUNK", 7)
    answer = signed_in(north, Role.OWNER).get(page(north, ".csv"))
    text = b"".join(answer.streaming_content).decode()
    with tenancy.reading(north.owner):
        assert len(text.splitlines()) == AuditEntry.objects.count() + 1


def test_it_reads_in_german(north):
    with tenancy.writing(north.owner):
        Member.objects.filter(id=north.owner.id).update(locale="de-DE")
    said = text_of(signed_in(north, Role.OWNER).get(page(north)))
    assert "hat angelegt: Standort" in said
    assert "Standort" in said


def test_every_kind_that_is_audited_has_words(superuser):
    from tests.audited import tables

    kinds = {one.kind for one in tables(superuser).values()}
    assert kinds <= audit_words.KINDS.keys()


def test_columns_that_people_change_have_words(superuser):
    """Of columns without words none is one that a command of ours writes: they are the library's, or never change."""
    rows = superuser.execute(
        "SELECT DISTINCT a.attname FROM pg_trigger t JOIN pg_attribute a ON a.attrelid = t.tgrelid "
        "JOIN pg_proc p ON p.oid = t.tgfoid WHERE p.proname = 'accounts_note_row' AND a.attnum > 0 AND NOT a.attisdropped"
    ).fetchall()
    library = {
        "algorithm", "allowed_origins", "authorization_grant_type", "by_program", "cimd_expires_at", "client_secret", "client_type",
        "hash_client_secret", "id", "operator_id", "post_logout_redirect_uris", "redirect_uris", "registration_source",
        "skip_authorization", "touch_id", "uuid",
    }  # fmt: skip
    assert {name for (name,) in rows} - audit_words.COLUMNS.keys() == library


# Pages that change something audited: what is posted to each, and what must then stand in the audit.
ACTS = [
    ("set-up/crew", {"name": "Crew Late"}, ("added", "crew")),
    (
        "set-up/people/invite",
        {"name": "New One", "email": "new@people.example", "role": "viewer"},
        ("added", "member"),
    ),
    ("set-up/programs/new", {"name": "Ledger", "scopes": ["invoices:read"]}, ("added", "client secret")),
    ("set-up/phone", {"crew": "{crew}", "label": "Phone 9"}, ("added", "access token")),
    (
        "set-up/new-customer",
        {"code": "C77", "name": "Seven Halls", "country": "DE"},
        ("added", "customer"),
    ),
]


@pytest.mark.parametrize(("path", "values", "told"), ACTS, ids=[path for path, _, _ in ACTS])
def test_what_pages_change_stands_in_the_audit_with_their_request(north, superuser, path, values, told):
    recorder = Recorder(superuser, north.operator.id)
    owner = signed_in(north, Role.OWNER)
    filled = {
        name: value.replace("{crew}", str(north.crew.id)) if isinstance(value, str) else value
        for name, value in values.items()
    }
    answer = owner.submit(f"/{north.operator.slug}/{path}", **filled)

    assert answer.status_code in {200, 302}
    request_id = answer.headers["Request-Id"]
    assert recorder.untold(request_id) == set()
    entries = recorder.told(request_id)
    assert told in {(action, kind) for action, kind, *_ in entries}
    assert all(door.startswith("POST ") and who == "member" for *_, door, who in entries)


def test_a_sign_in_stands_in_the_audit(north):
    from tests.cast import PASSWORD

    visitor = Visitor()
    visitor.get("/sign-in/")
    visitor.submit("/sign-in/", email=north.users[Role.DISPATCHER].email, password=PASSWORD)
    with tenancy.reading(north.owner):
        (entry,) = queries.audit_entries(kind="member").filter(action="signed_in")
        assert entry.actor_id == north.dispatcher.id
        assert entry.address == "127.0.0.1"


def test_who_is_invited_is_told_without_their_address(north):
    invited = people.invite_member(
        actor=north.owner, email="somebody@people.example", name="Some Body", role=Role.VIEWER
    )
    member = invited.member
    with tenancy.reading(north.owner):
        (entry,) = queries.audit_entries(kind="member", row_id=str(member.id))
        said = json.dumps(entry.about) + entry.said
    assert "somebody@people.example" not in said
    assert "Some Body" not in said
    assert entry.about["to"]["role"] == "viewer"
