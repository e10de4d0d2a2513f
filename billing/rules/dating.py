"""How days read in sentences and letters of billing, in the language of the moment."""

from __future__ import annotations

from datetime import date

from babel.dates import format_date

from accounts.languages import cldr, known_locale, manner

# Patterns of Unicode's date format, by locale; the names of days and months are Unicode's.
_PATTERNS = {
    "en-GB": {
        "iso": "y-MM-dd",
        "iso_month": "y-MM",
        "short": "EEE d MMM y",
        "full": "d MMMM y",
        "weekday": "EEEE d MMMM y",
    },
    "en-US": {
        "iso": "y-MM-dd",
        "iso_month": "y-MM",
        "short": "EEE MMM d, y",
        "full": "MMMM d, y",
        "weekday": "EEEE, MMMM d, y",
    },
    "de-DE": {
        "iso": "dd.MM.y",
        "iso_month": "MM/y",
        "short": "EEE d. MMM y",
        "full": "d. MMMM y",
        "weekday": "EEEE, d. MMMM y",
    },
}


def plain_day(on: date | str) -> str:
    """A day in figures: 2026-11-26, which is what English sentences of billing have; 26.11.2026 in German."""
    return _dated(_date(on), "iso")


def plain_month(on: date) -> str:
    """A month in figures: 2026-11, 11/2026."""
    return _dated(on, "iso_month")


def day_text(on: date) -> str:
    """A day as "Thu 26 Nov 2026"."""
    return _dated(on, "short")


def full_day(on: date) -> str:
    """A day as "26 November 2026"."""
    return _dated(on, "full")


def weekday(on: date) -> str:
    """A day as "Thursday 26 November 2026"."""
    return _dated(on, "weekday")


def day_of_month(on: date) -> str:
    """The day's number alone, as it stands before its month: "26", or "26." in German."""
    return f"{on.day}." if manner().language == "de" else str(on.day)


def _date(on: date | str) -> date:
    return date.fromisoformat(on) if isinstance(on, str) else on


def _dated(on: date, pattern: str) -> str:
    locale = known_locale(manner().locale)
    # The short names of English months are of three letters in Unicode's American English only.
    return format_date(on, _PATTERNS[locale][pattern], cldr("en-US" if locale.startswith("en") else locale))
