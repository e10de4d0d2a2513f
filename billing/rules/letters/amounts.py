"""Numbers, dates and addresses as letters print them, in the language of the moment."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date, timedelta
from decimal import Decimal
from functools import lru_cache
from importlib.resources import files
from typing import Any

from babel.numbers import get_decimal_symbol, get_group_symbol

from accounts import phrases
from accounts.languages import cldr, manner
from billing.rules import dating

MINUS = "\u2212"
NARROW = "\u202f"  # between the figures and what they count
DASH = "\u2013"
_LONG_WORD = re.compile(r"\S{24}(?=\S{4})")
# Where the town stands before the postcode, on one line or on two.
_TOWN_FIRST = frozenset({"US", "CA", "AU"})
_OWN_LINES = frozenset({"GB", "IE"})
_NAMES_OF_OURS = {"GB": "United Kingdom", "KR": "South Korea", "CZ": "Czechia", "MM": "Myanmar"}


def breakable(text: str) -> str:
    """The same with places to break words that are longer than a narrow column."""
    return _LONG_WORD.sub("\\g<0>\u200b", text)


def number(text: str) -> str:
    """All decimals there are, groups of three, a true minus: 1,234.50."""
    value, locale = Decimal(text), cldr(manner().locale)
    whole, dot, decimals = f"{abs(value):,f}".partition(".")
    grouped = whole.replace(",", get_group_symbol(locale))
    return f"{MINUS if value < 0 else ''}{grouped}{get_decimal_symbol(locale) if dot else ''}{decimals}"


def money(text: str, currency: str) -> str:
    return f"{currency}\u00a0{number(text)}"


def price(text: str, minor_units: int) -> str:
    """A unit price with at least the currency's decimals, and no zeros behind."""
    whole, _dot, decimals = text.partition(".")
    decimals = decimals.rstrip("0").ljust(minor_units, "0")
    return number(f"{whole}.{decimals}" if decimals else whole)


def day(text: str) -> str:
    """An ISO date as 2 May 2026."""
    return _day(text, manner().locale)


@lru_cache(maxsize=1_000)
def _day(text: str, locale: str) -> str:
    return phrases.day_year(date.fromisoformat(text)).replace(" ", "\u00a0")


def weekday(text: str) -> str:
    """An ISO date as Monday 1 June 2026."""
    return dating.weekday(date.fromisoformat(text))


def month(text: str) -> str:
    """A month 2026-04 as April 2026."""
    return phrases.month(date.fromisoformat(f"{text}-01"))


def days(period: Mapping[str, str]) -> str:
    """A period by its first and last day, saying month and year once where both are the same."""
    first = date.fromisoformat(period["start"])
    last = date.fromisoformat(period["end_exclusive"]) - timedelta(days=1)
    until = day(last.isoformat())
    if last <= first:
        return day(first.isoformat())
    if first.year != last.year:
        return f"{day(first.isoformat())} {DASH} {until}"
    if first.month != last.month:
        since = phrases.short_day(first).replace(" ", "\u00a0")
        return f"{since} {DASH} {until}"
    return f"{dating.day_of_month(first)}{DASH}{until}"


def percent(rate: str) -> str:
    return f"{number(rate)}{NARROW}%"


def account(iban: str) -> str:
    """An account number in groups of four, as an IBAN is printed."""
    bare = "".join(iban.split())
    return " ".join(bare[at : at + 4] for at in range(0, len(bare), 4))


def address(party: Mapping[str, Any], *, abroad: bool) -> list[str]:
    """The lines below the name; the country only for post that crosses a border."""
    lines = [party["street"], *_town(party)]
    if not party["street"] and not party["city"]:
        lines = (party.get("address") or "").splitlines()
    if abroad and party["country"]:
        lines.append(country(party["country"]).upper())
    return [line.strip() for line in lines if line.strip()]


def _town(party: Mapping[str, Any]) -> list[str]:
    city, postcode, region = party["city"], party["postcode"], party["subdivision"]
    if party["country"] in _TOWN_FIRST:
        return [", ".join(part for part in (city, " ".join(filter(None, (region, postcode)))) if part)]
    if party["country"] in _OWN_LINES:
        return [city, region, postcode]
    return [" ".join(part for part in (postcode, city) if part), region]


@lru_cache
def _country_names() -> dict[str, str]:
    """English names by code, as the locked time zone data has them."""
    table = (files("tzdata") / "zoneinfo" / "iso3166.tab").read_text(encoding="utf-8")
    rows = (line.split("\t") for line in table.splitlines() if line and not line.startswith("#"))
    return {row[0]: row[1] for row in rows} | _NAMES_OF_OURS


def country(code: str) -> str:
    if manner().language != "en":
        return str(cldr(manner().locale).territories.get(code, code))
    return _country_names().get(code, code)
