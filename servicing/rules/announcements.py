"""What a site is told by mail of a visit to come: plain text, in the operator's own language."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, time

from accounts.languages import _
from accounts.phrases import long_day
from servicing.rules.record_words import announced

# No line break gets into a header, whatever a name holds.
_BREAKS = re.compile(r"[\x00-\x1f\x7f]+")


@dataclass(frozen=True, slots=True)
class Told:
    """A planned visit as its mail says it; ``link`` opens the site's service record, or is "" without one."""

    operator: str
    site: str
    address: str
    contact: str
    day: date
    begins_at: time | None
    link: str


def in_one_line(text: str) -> str:
    return " ".join(_BREAKS.sub(" ", text).split())


def subject_of(told: Told) -> str:
    return in_one_line(_("Visit to {site} on {day}", site=told.site, day=long_day(told.day)))


def text_of(told: Told) -> str:
    """The mail's body. It asks for nothing but that the crew is let in, and promises nothing but the visit."""
    greeting = _("Good day {name},", name=in_one_line(told.contact)) if told.contact else _("Good day,")
    where = [in_one_line(line) for line in (told.site, *told.address.splitlines()) if line.strip()]
    parts = [
        greeting,
        announced(told.day, told.begins_at),
        "\n".join(where),
        _(
            "Our crew looks after the drip units in your restrooms and needs to get in for that. "
            "If the day does not suit you, please tell us as soon as you can."
        ),
    ]
    if told.link:
        parts.append(
            _(
                "What was done at earlier visits, and a form to tell us something, are here; "
                "whoever has this address can read them:"
            )
            + "\n"
            + told.link
        )
    parts.append(in_one_line(told.operator))
    parts.append(
        _(
            "You get this mail because you are named to us as somebody at this site who is told of visits. "
            "Tell us if that is no longer so."
        )
    )
    return "\n\n".join(parts) + "\n"
