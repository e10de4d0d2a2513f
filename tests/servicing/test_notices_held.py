"""What waits for the end of quiet hours, or was not sent: told in the end, and not twice."""

from __future__ import annotations

import smtplib
from datetime import time
from threading import Thread
from unittest.mock import patch

import pytest
from django.db import connections

from accounts import tenancy
from accounts.permissions import Role
from servicing import tasks as servicing_tasks
from servicing.commands import sweeps
from servicing.commands.noticing import LOOK
from servicing.models import NoticeWish
from servicing.queries import noticing as queries
from tests.servicing.test_notices import at, filled, look_and_send, owed, wish

__all__ = ["filled"]
QUIET = {"quiet_from": time(22), "quiet_until": time(7), "is_daily": False}


@pytest.fixture
def urgent(filled):
    """Only the owner is told, of leaks and what is past grace, and not from ten to seven in Berlin (UTC+2)."""
    wish(filled, Role.DISPATCHER, is_daily=False)
    wish(filled, Role.OWNER, urgent=["leak", "past_grace"], **QUIET)
    return filled


def leak(cast, unit=0):
    cast.upload(cast.event("report.received", cast.units[unit], kind="leak"))


def test_a_report_from_before_quiet_hours_that_is_looked_at_in_them_is_told_at_their_end(urgent):
    at(13, 19, 59)
    leak(urgent)
    at(13, 20, 1)
    assert look_and_send(urgent) == []

    at(14, 5)
    (sent,) = look_and_send(urgent)

    assert "1 report of a leak" in sent.body
    at(14, 6)
    assert look_and_send(urgent) == []


def test_a_report_after_the_end_is_not_among_those_that_were_held_back(urgent):
    at(13, 23)
    leak(urgent)
    assert look_and_send(urgent) == []
    at(14, 5, 1)
    leak(urgent, unit=1)

    sent = look_and_send(urgent)

    assert [one.body.count("report of a leak") for one in sent] == [1, 1]


def test_a_held_report_that_was_looked_at_late_is_told_once(urgent):
    at(13, 23)
    leak(urgent)
    assert look_and_send(urgent) == []
    at(14, 4, 59)
    leak(urgent, unit=1)
    at(14, 5, 1)

    sent = look_and_send(urgent)

    assert [one.body.count("report of a leak") for one in sent] == [1, 1]


def test_a_choice_saved_in_quiet_hours_drops_nothing_that_they_hold_back(urgent):
    at(13, 22, 30)
    sweeps.sweep(actor=urgent.owner)
    assert look_and_send(urgent) == []
    at(14, 4)
    wish(urgent, Role.OWNER, urgent=["past_grace"], **QUIET)

    at(14, 5)
    (sent,) = look_and_send(urgent)

    assert "2 units past grace" in sent.subject


def test_a_digest_that_could_not_be_sent_told_nothing(filled):
    at(14, 4)
    sweeps.sweep(actor=filled.owner)
    refused = smtplib.SMTPRecipientsRefused({"a@b.example": (550, b"no")})
    with patch("django.core.mail.EmailMessage.send", side_effect=refused):
        look_and_send(filled)

    at(15, 4)
    (sent,) = look_and_send(filled)

    assert sent.subject == f"{filled.operator.name}: 4 new alerts, 4 open in all"


def test_a_look_that_waited_for_another_does_not_tell_again_what_that_one_told(filled):
    wish(filled, Role.OWNER, is_daily=False, urgent=["due", "past_grace"])
    at(5, 9)
    sweeps.sweep(actor=filled.owner)
    (job,) = owed(filled, LOOK)

    def look() -> None:
        try:
            servicing_tasks.look_at_notices(str(filled.operator.id), str(job.id))
        finally:
            connections.close_all()

    waiting = Thread(target=look)
    with tenancy.writing(filled.owner):
        list(NoticeWish.objects.select_for_update())
        waiting.start()
        waiting.join(1)
        assert waiting.is_alive()
        # Meanwhile the look after a later sweep tells all there is.
        at(14, 9)
        sweeps.sweep_alerts()
        told = queries.head_turn()
        NoticeWish.objects.update(urgent_turn=told)
    waiting.join(30)

    with filled.reading():
        assert NoticeWish.objects.get(member_id=filled.owner.id).urgent_turn == told
