"""How the parts of the statement write instants and volumes."""

from __future__ import annotations


def at(instant: str) -> str:
    """An instant as the histories write it: ISO 8601 in UTC with microseconds."""
    return f"""to_char({instant} AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US"+00:00"')"""


def epoch_s(instant: str) -> str:
    """An instant as whole seconds since 1970, the part of a second left out."""
    return f"floor(extract(epoch FROM {instant}))::bigint"


def moment(row: str, name: str) -> str:
    """The instant of a day that an opening names, as ``rules.opening`` has it; null where it names none."""
    days = f"({row}.payload->>'as_of')::date - ({row}.payload->>'{name}')::date"
    return f"({row}.occurred_at - make_interval(hours => 24 * ({days})))"


def ml(name: str) -> str:
    """A volume of the payload; null where it is unread."""
    return f"(payload->>'{name}')::integer"
