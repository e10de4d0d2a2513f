"""What the service record says: plain words, no code of ours, and a window for the crew's arrival."""

from __future__ import annotations

from datetime import date, time, timedelta

import pytest

from accounts.languages import Manner, speaking
from servicing.events.types import FAULT_MODES, REPORT_KINDS, EventType
from servicing.rules import record_words as words
from servicing.rules.announcements import Told, subject_of, text_of

TODAY = date(2026, 6, 15)


@pytest.mark.parametrize(
    ("begins_at", "first", "last"),
    [
        (time(8, 40), time(8, 0), time(10, 0)),
        (time(8, 0), time(7, 30), time(9, 30)),
        (time(0, 10), time(0, 0), time(2, 0)),
        (time(23, 50), time(22, 0), time(23, 59)),
    ],
)
def test_a_crew_is_said_to_come_within_two_hours(begins_at, first, last):
    """Common practice, no source: half an hour early to an hour and a half late, in half hours."""
    assert words.window(begins_at) == (first, last)


def test_the_next_visit_is_said_as_far_as_it_is_known():
    said = [
        words.next_said(None, None, is_planned=False, today=TODAY),
        words.next_said(TODAY + timedelta(days=9), None, is_planned=False, today=TODAY),
        words.next_said(TODAY - timedelta(days=3), None, is_planned=False, today=TODAY),
        words.next_said(TODAY, time(8, 40), is_planned=True, today=TODAY),
        words.next_said(TODAY + timedelta(days=1), None, is_planned=True, today=TODAY),
        words.next_said(TODAY + timedelta(days=1), time(8, 40), is_planned=True, today=TODAY),
    ]

    assert said == [
        "No visit is planned.",
        "The next visit is due on Wed 24 Jun; its day is not fixed yet.",
        "A visit has been due since Fri 12 Jun; its day is not fixed yet.",
        "The next visit is planned for today, between 08:00 and 10:00.",
        "The next visit is planned for Tue 16 Jun.",
        "The next visit is planned for Tue 16 Jun, between 08:00 and 10:00.",
    ]


def test_a_place_says_its_fixture_once():
    assert words.place("Ground floor", "1", "urinal") == "Ground floor, 1 (urinal)"
    assert words.place("Ground floor", "Urinal 1", "urinal") == "Ground floor, Urinal 1"
    assert words.place("Ground floor", "2", "water_closet", in_room=True) == "2 (toilet)"


def test_every_fault_outcome_and_kind_has_its_words():
    class Said:
        def __init__(self, **values):
            self.__dict__.update(values)

    found = [words.done(EventType.FAULT_FOUND, Said(mode=mode)) for mode in FAULT_MODES]
    reasons = [
        "",
        "closed",
        "nobody_to_admit",
        "room_occupied",
        "key_missing",
        "unsafe",
        "refused",
        "weather",
    ]
    turned_away = [words.outcome("not_admitted", reason) for reason in reasons]

    assert len(set(found)) == len(FAULT_MODES)
    assert len(set(turned_away)) == len(reasons)
    assert set(words.KINDS) == set(REPORT_KINDS)
    assert words.done(EventType.ALERT_ACKNOWLEDGED, None) == ""
    assert words.outcome("called_off", "other") == "The visit was called off."


TOLD = Told(
    "North Care",
    "Marl Quay School",
    "Quay Street 1\nMarl",
    "Ada",
    date(2026, 6, 16),
    time(8, 40),
    "https://a.example/r/X",
)


def test_a_mail_says_when_where_and_how_to_answer():
    assert subject_of(TOLD) == "Visit to Marl Quay School on Tuesday 16 June 2026"
    text = text_of(TOLD)
    assert "We plan to visit on Tuesday 16 June 2026, between 08:00 and 10:00." in text
    assert "Good day Ada," in text
    assert "Marl Quay School\nQuay Street 1\nMarl" in text
    assert "https://a.example/r/X\n" in text
    assert "{" not in text


def test_a_mail_speaks_the_operators_language():
    with speaking(Manner("de-DE", "metric")):
        assert subject_of(TOLD) == "Besuch: Marl Quay School, Dienstag, 16. Juni 2026"
        assert "zwischen 08:00 und 10:00 Uhr" in text_of(TOLD)


def test_nothing_in_a_name_breaks_out_of_a_header():
    odd = Told("North\r\nBcc: x@y.example", "Site\nTwo", "", "", TODAY, None, "")

    assert "\n" not in subject_of(odd)
    assert "North Bcc: x@y.example" in text_of(odd)
