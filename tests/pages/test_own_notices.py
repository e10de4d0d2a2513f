"""What a person is told of alerts by mail, on their own page."""

from __future__ import annotations

from accounts.permissions import Role
from servicing.queries import noticing
from tests.cast import Cast
from tests.pages.browsers import signed_in_anew
from tests.pages.visitors import text_of


def test_a_person_chooses_what_they_are_told_and_when(north: Cast):
    desk = signed_in_anew(north, Role.OWNER)
    page = f"/{north.operator.slug}/me/notices"
    assert "Mails about alerts" in text_of(desk.get(f"/{north.operator.slug}/me"))

    answer = desk.submit(
        page,
        is_daily="on",
        hour="7",
        kinds=["past_grace", "drift"],
        urgent=["leak"],
        quiet_from="22:00",
        quiet_until="06:30",
        crew=str(north.crew.id),
    )

    assert answer.status_code == 302
    assert north.owner.id is not None
    with north.reading():
        wish = noticing.wish_of(north.owner.id)
    assert (wish.kinds, wish.urgent, wish.hour, wish.only_news) == (
        ["past_grace", "drift"],
        ["leak"],
        7,
        False,
    )
    assert (str(wish.quiet_from), str(wish.quiet_until), wish.crew_id) == (
        "22:00:00",
        "06:30:00",
        north.crew.id,
    )


def test_what_was_typed_stays_beside_the_word_about_it(north: Cast):
    desk = signed_in_anew(north, Role.DISPATCHER)

    answer = desk.submit(f"/{north.operator.slug}/me/notices", hour="7", quiet_from="22:00", quiet_until="")

    assert answer.status_code == 400
    assert "Quiet hours need a beginning and an end." in text_of(answer)
    assert 'value="22:00"' in answer.content.decode()


def test_a_dispatcher_begins_with_a_mail_a_day_and_a_viewer_with_none(north: Cast):
    for role, ticked in ((Role.DISPATCHER, True), (Role.VIEWER, False)):
        page = signed_in_anew(north, role).get(f"/{north.operator.slug}/me/notices").content.decode()
        assert ('name="is_daily" id="id_is_daily" checked' in page) is ticked


def test_who_sees_no_alerts_is_told_of_none(north: Cast):
    network = signed_in_anew(north, Role.NETWORK)
    assert "Your role sees no alerts" in text_of(network.get(f"/{north.operator.slug}/me/notices"))
    assert "Mails about alerts" not in text_of(network.get(f"/{north.operator.slug}/me"))
