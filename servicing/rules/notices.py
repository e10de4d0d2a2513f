"""When somebody is told of alerts by mail, and what the mail says: plain text, in their own language."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from accounts.languages import N_, _, _n
from accounts.phrases import day
from servicing.rules.announcements import in_one_line

# What can be told of, the worst first. Reports of these kinds are told like alerts: liquid may be where people touch it.
ALERT_KINDS = ("past_grace", "dry_soon", "drift", "wick_watch", "due")
REPORT_KINDS = ("chemical", "leak")
URGENT_KINDS = (*REPORT_KINDS, *ALERT_KINDS)
# What a dispatcher is told who has chosen nothing: all but that a visit may be made now.
USUAL_KINDS = ALERT_KINDS[:-1]
USUAL_HOUR = 6
MOST_SITES = 20

WORDS = {
    "chemical": N_("Reports of a chemical"),
    "leak": N_("Reports of a leak"),
    "past_grace": N_("Past grace"),
    "dry_soon": N_("Dry soon"),
    "drift": N_("Output off"),
    "wick_watch": N_("Wick watch"),
    "due": N_("Due"),
}
# By kind, the same number of units as a sentence's part.
_UNITS: Mapping[str, Callable[[int], str]] = {
    "chemical": lambda n: _n("{count} report of a chemical", "{count} reports of a chemical", n),
    "leak": lambda n: _n("{count} report of a leak", "{count} reports of a leak", n),
    "past_grace": lambda n: _n("{count} unit past grace", "{count} units past grace", n),
    "dry_soon": lambda n: _n("{count} unit dry soon", "{count} units dry soon", n),
    "drift": lambda n: _n("{count} unit with its output off", "{count} units with their output off", n),
    "wick_watch": lambda n: _n("{count} wick to watch", "{count} wicks to watch", n),
    "due": lambda n: _n("{count} unit due", "{count} units due", n),
}


@dataclass(frozen=True, slots=True)
class Quiet:
    """Quiet hours that hold an instant: when they began and when they end, in UTC."""

    began: datetime
    ends: datetime


def quiet_at(now: datetime, zone: str, since: time | None, until: time | None) -> Quiet | None:
    """The quiet hours that ``now`` lies in, of a zone's wall clock; None outside of them, or where there are none.

    They may lead over midnight. Where the clock jumps over their end, they end as it jumps; where it shows their end twice
    they end at the first time, or at the second for an instant between the two.
    """
    if since is None or until is None or since == until:
        return None
    local = now.astimezone(ZoneInfo(zone))
    shown = local.time()
    if since < until:
        if not since <= shown < until:
            return None
        first = last = local.date()
    elif shown >= since:
        first, last = local.date(), local.date() + timedelta(days=1)
    elif shown < until:
        first, last = local.date() - timedelta(days=1), local.date()
    else:
        return None
    ends = _instant(last, until, zone)
    if ends <= now:
        ends = _instant(last, until, zone, fold=1)
    return Quiet(min(_instant(first, since, zone), now), ends)


def digest_day(now: datetime, zone: str, hour: int) -> date | None:
    """The date of a digest that is due in this zone: today's from the hour on, else None.

    A mail that nobody could owe at its hour is owed later on the same day, and no more on the next.
    """
    local = now.astimezone(ZoneInfo(zone))
    return local.date() if local.hour >= hour else None


def digest_instant(on: date, zone: str, hour: int) -> datetime:
    """From when on the digest of a day is due, in UTC."""
    return _instant(on, time(hour), zone)


def _instant(on: date, at: time, zone: str, *, fold: int = 0) -> datetime:
    return datetime.combine(on, at.replace(fold=fold), ZoneInfo(zone)).astimezone(UTC)


@dataclass(frozen=True, slots=True)
class AtSite:
    """What stands open at a site of one kind: how many, the first day that it was true of one, and how many are news."""

    code: str
    name: str
    kind: str
    units: int
    news: int
    first_day: date


@dataclass(frozen=True, slots=True)
class Letter:
    """A mail's words: ``news`` is how many of what stands open the reader was not told of before."""

    subject: str
    body: str
    news: int


def digest(lines: Sequence[AtSite], *, zone: str, link: str, settings_link: str, operator: str) -> Letter:
    """The mail of a day: the sites with news, the worst first, then what else stands open, in numbers."""
    news, units = sum(line.news for line in lines), sum(line.units for line in lines)
    subject = (
        _n("{count} new alert", "{count} new alerts", news)
        + ", "
        + _n("{count} open in all", "{count} open in all", units)
    )
    parts = [_("Alerts at sites in {zone}:", zone=zone) + "\n" + _counted(lines)]
    fresh = [line for line in lines if line.news]
    if fresh:
        parts.append(_("New since the last mail:") + "\n" + _by_site(fresh, only_news=True))
    return Letter(_subject(operator, subject), _body(parts, link, settings_link), news)


def urgent(lines: Sequence[AtSite], *, link: str, settings_link: str, operator: str) -> Letter:
    """The mail of what opened just now, or in the quiet hours that have ended."""
    parts = [_by_site(lines, only_news=True)]
    if any(line.kind in REPORT_KINDS for line in lines):
        parts.append(
            _(
                "Liquid may be where people touch it. Have the place kept clear until somebody who knows its safety data "
                "sheet has seen to it."
            )
        )
    news = sum(line.news for line in lines)
    worst = min(lines, key=lambda line: URGENT_KINDS.index(line.kind))
    subject = (
        f"{_UNITS[worst.kind](sum(line.news for line in lines if line.kind == worst.kind))}: {worst.name}"
    )
    return Letter(_subject(operator, subject), _body(parts, link, settings_link), news)


def _counted(lines: Sequence[AtSite]) -> str:
    rows = []
    for kind in URGENT_KINDS:
        of_kind = [line for line in lines if line.kind == kind]
        if of_kind:
            count, news = sum(line.units for line in of_kind), sum(line.news for line in of_kind)
            said = _UNITS[kind](count)
            rows.append("- " + (_("{what}, {news} of them new", what=said, news=news) if news else said))
    return "\n".join(rows)


def _by_site(lines: Sequence[AtSite], *, only_news: bool) -> str:
    """One line a site, the site with the worst kind and the most of it first."""
    sites: dict[str, list[AtSite]] = {}
    for line in lines:
        sites.setdefault(line.code, []).append(line)
    ranked = sorted(sites.values(), key=_rank)
    rows = ["- " + _site(found, only_news=only_news) for found in ranked[:MOST_SITES]]
    if len(ranked) > MOST_SITES:
        rows.append("- " + _n("and {count} more site", "and {count} more sites", len(ranked) - MOST_SITES))
    return "\n".join(rows)


def _rank(found: Sequence[AtSite]) -> tuple[int, int, date, str]:
    worst = min(found, key=lambda line: URGENT_KINDS.index(line.kind))
    return URGENT_KINDS.index(worst.kind), -worst.units, worst.first_day, worst.code


def _site(found: Sequence[AtSite], *, only_news: bool) -> str:
    said = [
        _(
            "{what} since {day}",
            what=_UNITS[line.kind](line.news if only_news else line.units),
            day=day(line.first_day),
        )
        for line in sorted(found, key=lambda line: URGENT_KINDS.index(line.kind))
    ]
    return in_one_line(f"{found[0].name} ({found[0].code}): {'; '.join(said)}")


def _subject(operator: str, said: str) -> str:
    return in_one_line(f"{operator}: {said}")[:200]


def _body(parts: Sequence[str], link: str, settings_link: str) -> str:
    ends = []
    if link:
        ends.append(_("All of it, as it stands now:") + "\n" + link)
    ends.append(
        _(
            "You get this mail because you are told of alerts. Change of what and when, or end it, on your own page:"
        )
        + "\n"
        + settings_link
        if settings_link
        else _(
            "You get this mail because you are told of alerts. Change of what and when, or end it, on your own page."
        )
    )
    return "\n\n".join([*parts, *ends]) + "\n"
