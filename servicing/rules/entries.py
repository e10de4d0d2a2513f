"""When a code of a site's may be shown, and what can be kept as one. Days and times are those of the site's zone."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

MOST_LABEL = 60
MOST_CODE = 120
# By judgement: a large building has a gate, a key box, an alarm and a few doors.
MOST_AT_A_SITE = 20
# By judgement: a full day has some 25 sites. Whoever asks for more is not working, but collecting.
MOST_SHOWINGS = 30
# By judgement: minutes that a visit lasts past midnight where the office did not say how long it takes. What it usually takes
# there is what crews record, who are not to lengthen their own time.
MOST_UNSAID = 240
# Shorter ones stand in many labels by chance.
TELLING = 3


def is_on(day: date, begins_at: time | None, minutes: int, local: datetime) -> bool:
    """Whether a visit planned for ``day`` is on at a local time: all that day, and past midnight until it is to end."""
    if local.date() == day:
        return True
    if begins_at is None:
        return False
    at = local.replace(tzinfo=None)
    midnight = datetime.combine(day, time.min) + timedelta(days=1)
    return midnight <= at < datetime.combine(day, begins_at) + timedelta(minutes=minutes)


def seconds_left(local: datetime) -> int:
    """Until the next day begins there, by the zone's own clock; at least one."""
    tomorrow = datetime.combine(local.date() + timedelta(days=1), time.min, tzinfo=local.tzinfo)
    return max(1, int(tomorrow.timestamp() - local.timestamp()))


def is_plain(text: str) -> bool:
    """Whether a text is one line that can be read out: no control characters, no unpaired halves of one."""
    return text.isprintable()


def gives_away(label: str, code: str) -> bool:
    """Whether a label holds the code that it is of, which everybody could then read there; however it is set apart."""
    bare = _bare(code)
    return len(bare) >= TELLING and bare in _bare(label)


def _bare(text: str) -> str:
    """Its letters and digits."""
    return "".join(filter(str.isalnum, text.casefold()))
