"""Links to the service record: who makes them, what they reach, how they end, and how often they may be used."""

from __future__ import annotations

from datetime import timedelta

import pytest

from accounts.errors import BadInput, Forbidden, NotFound, TooMany
from accounts.ids import uuid7
from accounts.permissions import ActorKind, Role
from servicing.commands import links as commands
from servicing.models import LinkUse, RecordLink
from servicing.queries import links
from servicing.rules.link_tokens import LIMITS
from tests.servicing.recorded import second_room, second_site


def test_a_token_leads_to_its_link_and_stands_in_no_table(north, superuser):
    link, token = commands.make_link(actor=north.dispatcher, site_id=north.site.id, label=" Reception  desk ")

    found = links.find_link(token.lower())
    row = superuser.execute("SELECT * FROM servicing_recordlink WHERE id = %s", [link.id]).fetchone()

    assert (found.operator_id, found.link_id) == (north.operator.id, link.id)
    assert link.label == "Reception desk"
    assert token not in repr(row)
    assert token.lower() not in repr(row)
    with north.reading():
        assert links.token_again(RecordLink.objects.get(id=link.id)) == token


def test_a_link_says_nothing_again_once_the_secret_is_another_one(north, settings):
    link, token = commands.make_link(actor=north.dispatcher, site_id=north.site.id)
    settings.SECRET_KEY = "another secret of at least thirty-two characters"

    with north.reading():
        assert links.token_again(RecordLink.objects.get(id=link.id)) == ""
    # Whoever has it still gets in.
    assert links.find_link(token).link_id == link.id


def test_a_link_opens_one_thing_that_is_the_operators_own(north, south):
    with pytest.raises(BadInput):
        commands.make_link(actor=north.owner)
    with pytest.raises(BadInput):
        commands.make_link(actor=north.owner, site_id=north.site.id, customer_id=north.customer.id)
    with pytest.raises(BadInput):
        commands.make_link(actor=north.owner, site_id=north.site.id, label="x" * 121)
    with pytest.raises(NotFound):
        commands.make_link(actor=north.owner, site_id=south.site.id)
    with pytest.raises(NotFound):
        commands.make_link(actor=north.owner, restroom_id=south.stations[0].restroom_id)
    for role in (Role.CREW_MEMBER, Role.BOOKKEEPER, Role.VIEWER):
        with pytest.raises(Forbidden):
            commands.make_link(actor=north.actors[role], site_id=north.site.id)


def test_what_a_link_reaches(north):
    second_site(north, "S2", "Fen House")
    _, customers_token = commands.make_link(actor=north.owner, customer_id=north.customer.id)
    _, rooms_token = commands.make_link(actor=north.owner, restroom_id=north.stations[0].restroom_id)

    with north.reading():
        whole = links.reach_of(links.find_link(customers_token).link_id)
        room = links.reach_of(links.find_link(rooms_token).link_id)

    assert [site.name for site in whole.sites] == ["Fen House", "Marl Quay School"]
    assert (room.sites[0].id, room.restroom) == (north.site.id, "Ground floor")
    with pytest.raises(NotFound):
        room.site(whole.sites[0].id)


def test_every_restroom_gets_one_link(north):
    second_room(north)

    first = commands.make_room_links(actor=north.dispatcher, site_id=north.site.id)
    again = commands.make_room_links(actor=north.dispatcher, site_id=north.site.id)
    commands.revoke_link(actor=north.dispatcher, link_id=first[0].id)
    third = commands.make_room_links(actor=north.dispatcher, site_id=north.site.id)

    assert (len(first), len(again)) == (2, 0)
    assert [link.restroom_id for link in third] == [first[0].restroom_id]
    with north.reading():
        lines = links.links_of_site(north.site.id)
    assert [(line.of, line.token != "") for line in lines] == [
        ("First floor", True),
        ("Ground floor", True),
        (lines[2].of, False),
    ]


def test_a_revoked_link_opens_nothing_and_stays_so(north, south):
    link, token = commands.make_link(actor=north.dispatcher, site_id=north.site.id)
    with pytest.raises(NotFound):
        commands.revoke_link(actor=south.dispatcher, link_id=link.id)
    assert links.find_link(token).link_id == link.id

    commands.revoke_link(actor=north.dispatcher, link_id=link.id)
    with north.reading():
        first = links.get_link(link.id).revoked_at
    commands.revoke_link(actor=north.dispatcher, link_id=link.id)

    with pytest.raises(NotFound) as revoked:
        commands.use_link(token=token, action="open")
    with pytest.raises(NotFound) as unknown:
        commands.use_link(token="0" * 20, action="open")
    assert revoked.value.detail == unknown.value.detail
    with north.reading():
        assert links.get_link(link.id).revoked_at == first
        assert not LinkUse.objects.exists()


def test_who_acts_by_a_link_is_the_link(north):
    link, token = commands.make_link(actor=north.dispatcher, site_id=north.site.id)

    actor = commands.use_link(token=token, action="open")

    assert (actor.operator_id, actor.kind, actor.id) == (north.operator.id, ActorKind.CLIENT, link.id)
    with north.reading():
        assert links.links_named([link.id]) == {link.id: "Marl Quay School"}


@pytest.mark.parametrize("action", ["open", "report"])
def test_a_link_is_used_so_often_in_a_while_and_then_again(north, later, action):
    link, token = commands.make_link(actor=north.dispatcher, site_id=north.site.id)
    limit = LIMITS[action]
    for _ in range(limit.most):
        commands.use_link(token=token, action=action)

    with pytest.raises(TooMany) as refused:
        commands.use_link(token=token, action=action)
    with pytest.raises(TooMany):
        commands.use_link(token=token, action=action)

    assert (refused.value.status, refused.value.retry_after_seconds) == (429, limit.seconds)
    with north.reading():
        # The refused uses wrote nothing.
        assert LinkUse.objects.get(link=link.id, action=action).count == limit.most
    # Another link has its own count.
    commands.use_link(token=commands.make_link(actor=north.owner, site_id=north.site.id)[1], action=action)
    later(seconds=refused.value.retry_after_seconds)
    commands.use_link(token=token, action=action)


def test_counts_of_days_ago_are_forgotten(north, later):
    _, token = commands.make_link(actor=north.dispatcher, site_id=north.site.id)
    commands.use_link(token=token, action="open")
    later(days=3)
    commands.use_link(token=token, action="open")

    with north.reading():
        before = LinkUse.objects.count()
    from accounts import tenancy

    with tenancy.writing(north.owner):
        assert commands.forget_uses() == 1
    assert before == 2


def test_opening_is_noted_at_most_once_a_minute(north, later):
    link, token = commands.make_link(actor=north.dispatcher, site_id=north.site.id)

    def opened():
        with north.reading():
            return links.get_link(link.id).opened_at

    assert opened() is None
    commands.use_link(token=token, action="open")
    first = opened()
    later(seconds=30)
    commands.use_link(token=token, action="open")
    assert opened() == first
    later(seconds=60)
    commands.use_link(token=token, action="photo")
    assert opened() == first
    commands.use_link(token=token, action="open")
    assert opened() - first == timedelta(seconds=90)


def test_a_link_that_is_not_here_is_not_found(north):
    with pytest.raises(NotFound), north.reading():
        links.get_link(uuid7())
