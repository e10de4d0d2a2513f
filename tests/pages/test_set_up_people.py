"""Members, invitations, crews, the operator's own page, and what each sets for themselves."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.core import mail

from accounts import clock, queries
from accounts.commands import crews, invitations, people
from accounts.commands.operators import create_user, token_digest
from accounts.errors import Conflict
from accounts.models import AuditEntry, Job
from accounts.permissions import ROLE_PERMISSIONS, Permission, Role
from tests.cast import PASSWORD, Cast
from tests.pages.visitors import Visitor, signed_in, text_of

LINK = re.compile(r"<code>https://testserver(/invitation/[^<]+)</code>")


def set_up(cast: Cast) -> str:
    return f"/{cast.operator.slug}/set-up"


def invite(cast: Cast, email: str, **values: Any) -> str:
    """The link's path, as the owner's page shows it."""
    answer = signed_in(cast, Role.OWNER).submit(
        f"{set_up(cast)}/people/invite", **{"email": email, "name": "Jo Reed", "role": "dispatcher", **values}
    )
    found = LINK.search(answer.content.decode())
    assert found is not None, text_of(answer)
    return found[1]


def test_the_audit_says_that_who_was_invited_took_it_up(north: Cast) -> None:
    email = f"jo@{north.operator.slug}.example"
    path = invite(north, email)
    invited = queries.get_user_by_email(email)
    assert invited is not None

    assert Visitor().submit(path, password=PASSWORD, again=PASSWORD).status_code == 302

    with north.reading():
        entry = AuditEntry.objects.filter(kind="member", action="changed").order_by("-number")[0]
    assert (entry.actor_kind, entry.actor_name, str(entry.actor_id)) == ("member", "Jo Reed", entry.row_id)
    assert entry.about["to"]["is_active"] is True


def test_a_new_person_sets_a_password_by_the_link_and_is_a_member_from_then_on(north: Cast) -> None:
    email = f"jo@{north.operator.slug}.example"
    path = invite(north, email)
    listed = text_of(signed_in(north, Role.OWNER).get(f"{set_up(north)}/people/"))
    assert "One more is invited." in listed
    person = queries.get_user_by_email(email)
    assert person is not None
    assert queries.memberships_of(person.id) == []
    visitor = Visitor()
    assert f"{north.operator.name} invites Jo Reed to work here as dispatcher." in text_of(visitor.get(path))
    differ = visitor.submit(path, password=PASSWORD, again="something else")
    assert differ.status_code == 422
    assert "The two passwords differ." in text_of(differ)
    short = visitor.submit(path, password="short", again="short")
    assert short.status_code == 400
    assert 'id="id_password_error"' in short.content.decode()
    taken = visitor.submit(path, password=PASSWORD, again=PASSWORD)
    assert taken["Location"] == f"/{north.operator.slug}/"
    assert [one.role for one in queries.memberships_of(person.id)] == [Role.DISPATCHER]
    # Once: whoever finds the link later can do nothing with it.
    assert Visitor().get(path).status_code == 404
    answer = Visitor().submit("/sign-in/", email=email, password=PASSWORD)
    assert answer.status_code == 302


def test_a_link_ends_after_three_days_with_a_newer_one_and_when_withdrawn(north: Cast, later: Any) -> None:
    email = f"jo@{north.operator.slug}.example"
    first = invite(north, email)
    with north.reading():
        member = queries.members().get(user__email=email)
    people.deactivate_member(actor=north.owner, member_id=member.id)
    assert Visitor().get(first).status_code == 404
    later(minutes=1)
    second = people.invite_again(actor=north.owner, member_id=member.id).token
    later(minutes=1)
    third = people.invite_again(actor=north.owner, member_id=member.id).token
    assert Visitor().get(f"/invitation/{second}").status_code == 404
    assert Visitor().get(f"/invitation/{third}").status_code == 200
    assert Visitor().get(f"/invitation/{third[:-1]}{'A' if third[-1] != 'A' else 'B'}").status_code == 404
    later(days=3)
    assert Visitor().get(f"/invitation/{third}").status_code == 404


def test_an_invitation_of_one_operator_opens_no_other(north: Cast, south: Cast) -> None:
    """Two operators ask the same person, who has no password yet: whoever has one link can't read by the other's."""
    email = f"jo@{north.operator.slug}.example"
    norths, souths = invite(north, email), invite(south, email)
    visitor = Visitor()
    assert visitor.submit(souths, password=PASSWORD, again=PASSWORD).status_code == 302
    person = queries.get_user_by_email(email)
    assert person is not None
    assert [one.slug for one in queries.memberships_of(person.id)] == [south.operator.slug]
    assert visitor.get(f"/{north.operator.slug}/").status_code == 404
    # The password was set by the other link; this one asks to sign in, and then for a word.
    assert "has a password here already" in text_of(Visitor().get(norths))
    assert (
        Visitor().submit(norths, password="another long phrase", again="another long phrase").status_code
        == 200
    )
    assert visitor.submit(norths).status_code == 302
    assert len(queries.memberships_of(person.id)) == 2


def test_somebody_else_cannot_take_up_an_invitation(north: Cast, south: Cast) -> None:
    email = f"jo@{north.operator.slug}.example"
    create_user(email=email, name="Jo Reed", password=PASSWORD)
    path = invite(north, email)
    rival = signed_in(south, Role.OWNER)
    assert f"The invitation is for {email}" in text_of(rival.get(path))
    assert rival.submit(path).status_code == 404
    person = queries.get_user_by_email(email)
    assert person is not None
    assert queries.memberships_of(person.id) == []


def test_the_invitation_is_mailed_where_a_mail_server_is_set_up(north: Cast, settings: Any) -> None:
    settings.PUBLIC_URL = "https://wickround.example"
    email = f"jo@{north.operator.slug}.example"
    path = invite(north, email)
    with north.reading():
        job = Job.objects.get(kind=people.INVITE)
    assert invitations.send_invitation(north.operator.id, job.id)
    (sent,) = mail.outbox
    assert sent.to == [email]
    assert f"https://wickround.example{path}" in sent.body
    assert not invitations.send_invitation(north.operator.id, job.id)


def test_a_member_gets_another_role_and_the_last_owner_keeps_theirs(north: Cast) -> None:
    owner = signed_in(north, Role.OWNER)
    dispatcher = north.actors[Role.DISPATCHER].id
    path = f"{set_up(north)}/people"
    refused = owner.submit(f"{path}/{north.owner.id}", name="Owner", role="viewer")
    assert refused.status_code == 409
    assert "is the only owner. Make somebody else an owner first." in text_of(refused)
    assert owner.submit(f"{path}/{north.owner.id}/end").status_code == 409
    assert owner.submit(f"{path}/{dispatcher}", name="Second", role="owner").status_code == 302
    assert owner.submit(f"{path}/{north.owner.id}", name="Owner", role="viewer").status_code == 302
    # With the next page they open.
    assert owner.get(f"{path}/").status_code == 403
    with pytest.raises(Conflict):
        people.deactivate_member(actor=north.owner, member_id=dispatcher)  # type: ignore[arg-type]


def test_a_crew_member_needs_a_crew_and_nobody_but_an_owner_sees_the_members(north: Cast) -> None:
    owner = signed_in(north, Role.OWNER)
    path = f"{set_up(north)}/people/invite"
    email = f"jo@{north.operator.slug}.example"
    refused = owner.submit(path, email=email, name="Jo Reed", role="crew_member")
    assert refused.status_code == 400
    assert 'id="id_crew_error"' in refused.content.decode()
    wrong = owner.submit(path, email="nobody", name="Jo Reed", role="viewer")
    assert wrong.status_code == 422
    assert 'value="nobody"' in wrong.content.decode()
    already = owner.submit(path, email=north.users[Role.VIEWER].email, name="Viewer", role="viewer")
    assert already.status_code == 409
    for role in (Role.DISPATCHER, Role.VIEWER, Role.NETWORK):
        assert signed_in(north, role).get(f"{set_up(north)}/people/").status_code == 403


def test_a_crew_that_stops_hands_its_sites_over_and_its_phones_are_revoked(north: Cast) -> None:
    visitor = signed_in(north, Role.DISPATCHER)
    path = f"{set_up(north)}/crews/{north.crew.id}"
    visitor.submit(f"{set_up(north)}/crew", name="Crew B")
    with north.reading():
        heir = queries.crews().get(name="Crew B")
    alone = visitor.submit(f"{path}/stop")
    assert alone.status_code == 400
    assert "Choose another crew at work" in text_of(alone)
    assert visitor.submit(f"{path}/stop", sites_to=str(heir.id)).status_code == 302
    with north.reading():
        assert queries.get_site(north.site.id).crew_id == heir.id
    binding = queries.token_binding(token_digest(north.phone_token))
    assert binding is not None
    assert binding.revoked_at == clock.now()
    assert "Crew A (no longer at work)" in text_of(visitor.get(f"{set_up(north)}/crews/"))
    crews.resume_crew(actor=north.dispatcher, crew_id=north.crew.id)
    taken = visitor.submit(path, name="Crew B")
    assert taken.status_code == 409
    assert 'id="id_name_error"' in taken.content.decode()
    assert visitor.submit(path, name="Crew One").status_code == 302


def test_the_operator_changes_its_language_and_units_and_each_member_their_own(north: Cast) -> None:
    owner = signed_in(north, Role.OWNER)
    path = f"{set_up(north)}/operator"
    values = {"name": "North Bank", "legal_name": "North Bank Ltd", "locale": "de-DE", "measures": "us"}
    assert owner.submit(path, **values, currency="USD").status_code == 302
    with north.reading():
        operator = queries.get_operator()
    assert (operator.name, operator.locale, operator.measures) == ("North Bank", "de-DE", "us")
    assert (operator.currency, operator.zone) == ("EUR", "Europe/Berlin")
    assert owner.get(path)["Content-Language"] == "de"
    assert signed_in(north, Role.DISPATCHER).submit(path, **values).status_code == 403
    network = signed_in(north, Role.NETWORK)
    me = f"/{north.operator.slug}/me"
    assert network.get(me)["Content-Language"] == "de"
    assert network.submit(me, locale="en-GB").status_code == 302
    assert network.get(me)["Content-Language"] == "en-gb"
    assert network.submit(me, locale="xx").status_code == 422
    assert network.submit(me, locale="").status_code == 302
    assert network.get(me)["Content-Language"] == "de"


def test_every_role_may_set_what_is_their_own() -> None:
    assert all(Permission.OWN_SETTINGS in held for held in ROLE_PERMISSIONS.values())


def test_the_job_of_an_invitation_that_was_taken_up_sends_nothing(north: Cast, settings: Any) -> None:
    settings.PUBLIC_URL = "https://wickround.example"
    email = f"jo@{north.operator.slug}.example"
    path = invite(north, email)
    Visitor().submit(path, password=PASSWORD, again=PASSWORD)
    with north.reading():
        job = Job.objects.get(kind=people.INVITE)
    invitations.send_invitation(north.operator.id, job.id)
    assert mail.outbox == []
