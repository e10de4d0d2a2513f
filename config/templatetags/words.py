"""How values read on a page: dates, instants in a site's zone, money, volumes and the words of our vocabulary."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe

from accounts import phrases
from accounts.languages import N_, _
from billing.rules.documents import amount_text
from servicing.rules.due import Band
from servicing.rules.wick_sentence import percent

register = template.Library()


def _date(value: date | str) -> date:
    return date.fromisoformat(value) if isinstance(value, str) else value


# Shape, word and colour say the same, so that none is needed alone.
_SHAPES = {
    Band.AHEAD: '<circle cx="6" cy="6" r="4.5"/>',
    Band.IN_GRACE: '<circle cx="6" cy="6" r="5.5"/>',
    Band.PAST_GRACE: '<path d="M6 .8 11.6 11H.4z"/>',
    Band.LONG_PAST: '<path d="M.7.7h10.6v10.6H.7z"/>',
    Band.STANDSTILL: '<path d="M1 5h10v2H1z"/>',
}
_BAND_WORDS = {
    Band.AHEAD: N_("ahead"),
    Band.IN_GRACE: N_("in grace"),
    Band.PAST_GRACE: N_("past grace"),
    Band.LONG_PAST: N_("long past"),
    Band.STANDSTILL: N_("standstill"),
    Band.NONE: N_("nothing due"),
}


@register.filter
def day(value: date | str | None) -> str:
    """A date, also one in ISO form, as "Thu 26 Nov"."""
    return phrases.day(_date(value) if value else None)


@register.filter
def day_year(value: date | str) -> str:
    """A date as "26 Nov 2026", for what is kept for years."""
    return phrases.day_year(_date(value))


@register.filter
def day_before(value: date | str) -> date:
    """The last day of a period whose end is the first day after it."""
    return _date(value) - timedelta(days=1)


@register.filter
def month(value: date | str) -> str:
    return phrases.month(_date(value))


@register.filter
def at(value: datetime | None, zone: str) -> str:
    """An instant as "Thu 26 Nov, 14:05" in an IANA zone."""
    return "" if value is None else phrases.instant(value, zone)


@register.filter
def clock_time(value: datetime, zone: str) -> str:
    """An instant as "14:05" in an IANA zone."""
    return phrases.time_of_day(value.astimezone(ZoneInfo(zone)))


for _name in (
    "long_day",
    "short_day",
    "short_month",
    "time_of_day",
    "number",
    "volume",
    "volume_number",
    "dose",
    "hardness",
    "distance",
):
    register.filter(_name, getattr(phrases, _name))


@register.filter
def word(value: Any) -> str:
    """A word of our vocabulary as people write it: "past_grace" reads "past grace"."""
    return _(str(value).replace("_", " "))


register.filter("count", phrases.count)
register.filter("percent", percent)


@register.filter
def share(value: float) -> str:
    """A counted share in whole per cent; all is "100 %"."""
    return f"{phrases.number(value * 100)} %"


@register.filter
def money(amount: Decimal | str, currency: str) -> str:
    """An amount with all minor units and its currency: "1,234.50 EUR"."""
    return f"{phrases.amount(amount_text(Decimal(amount), currency))} {currency}"


@register.filter
def price(amount: str, currency: str) -> str:
    """A price of up to six decimals, with at least the currency's minor units."""
    at_least = amount_text(Decimal(amount), currency)
    return phrases.amount(at_least if Decimal(at_least) == Decimal(amount) else amount)


@register.filter
def band(value: Band | str) -> SafeString:
    """A band's shape and its word."""
    found = Band(value)
    if found not in _SHAPES:
        return format_html('<span class="band">{}</span>', _(_BAND_WORDS[found]))
    return format_html(
        '<span class="band"><svg class="mark {}" viewBox="0 0 12 12" aria-hidden="true">{}</svg>{}</span>',
        found.replace("_", "-"),
        mark_safe(_SHAPES[found]),  # noqa: S308 - one of five constants
        _(_BAND_WORDS[found]),
    )


@register.filter
def band_word(value: Band | str) -> str:
    return _(_BAND_WORDS[Band(value)])
