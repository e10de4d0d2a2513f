"""How values read in a sentence, on pages and in errors: as the locale and the units of the moment write them."""

from __future__ import annotations

from datetime import date, datetime, time
from decimal import ROUND_HALF_UP, Decimal

from babel.dates import format_date, format_time
from babel.numbers import format_decimal, get_decimal_symbol

from accounts import clock
from accounts.languages import _, _n, cldr, known_locale, manner

# Exact by definition: the US gallon is 231 cubic inches of 25.4 mm, the mile 1,609.344 m, the grain 64.79891 mg (NIST
# Handbook 44, appendix C).
ML_PER_FL_OZ = Decimal("29.5735295625")
KM_PER_MILE = Decimal("1.609344")
MG_PER_L_PER_GRAIN_PER_GALLON = Decimal("64.79891") / Decimal("3.785411784")

# Patterns of Unicode's date format, by locale; the names of days and months are Unicode's.
_PATTERNS = {
    "en-GB": {"day": "EEE d MMM", "date": "d MMM y", "long": "EEEE d MMMM y", "short": "d MMM"},
    "en-US": {"day": "EEE MMM d", "date": "MMM d, y", "long": "EEEE, MMMM d, y", "short": "MMM d"},
    "de-DE": {"day": "EEE d. MMM", "date": "d. MMM y", "long": "EEEE, d. MMMM y", "short": "d. MMM"},
}


def _dated(on: date, pattern: str) -> str:
    locale = known_locale(manner().locale)
    # The short names of English months are of three letters in Unicode's American English only.
    names = cldr("en-US" if locale.startswith("en") else locale)
    return format_date(on, _PATTERNS[locale].get(pattern, pattern), locale=names)


def day(on: date | None) -> str:
    """A date as "Thu 26 Nov", with its year when that is not this year's; nothing for no date."""
    if on is None:
        return ""
    year = f" {on.year}" if on.year != clock.now().year else ""
    return f"{_dated(on, 'day')}{year}"


def day_year(on: date) -> str:
    """A date as "26 Nov 2026", for what is kept for years."""
    return _dated(on, "date")


def short_day(on: date) -> str:
    """A date as "26 Nov", for the axis of a picture."""
    return _dated(on, "short")


def long_day(on: date) -> str:
    """A date as "Thursday 26 November 2026"."""
    return _dated(on, "long")


def month(on: date) -> str:
    """A month as "November 2026"."""
    return _dated(on, "MMMM y")


def short_month(on: date) -> str:
    """A month as "Nov", for the axis of a picture."""
    return _dated(on, "LLL")


def time_of_day(at: time | datetime) -> str:
    """A time as "14:05", or "2:05 PM" where people write it so."""
    locale = known_locale(manner().locale)
    return format_time(at, "short" if locale == "en-US" else "HH:mm", locale=cldr(locale))


def instant(at: datetime, zone: str) -> str:
    """An instant as "Thu 26 Nov, 14:05" in an IANA zone."""
    local = at.astimezone(clock.zone_of(zone))
    return f"{day(local.date())}, {time_of_day(local)}"


def number(value: Decimal | float, places: int = 0) -> str:
    """A number with so many decimals, grouped: "1,234.5"."""
    at_most = "#,##0" + ("." + "0" * places if places else "")
    return format_decimal(_rounded(value, places), format=at_most, locale=cldr(manner().locale))


def _rounded(value: Decimal | float, places: int) -> Decimal:
    return Decimal(str(value)).quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)


def count(number: int, noun: str) -> str:
    """A number with its noun: "1 unit", "9 units"."""
    return _n(f"{{count}} {noun}", f"{{count}} {noun}s", number)


def amount(text: str) -> str:
    """A decimal in plain digits such as "-1234.50", grouped and with the locale's signs; no digit is dropped."""
    digits = text.lstrip("-")
    whole, dot, cents = digits.partition(".")
    grouped = format_decimal(int(whole or 0), format="#,##0", locale=cldr(manner().locale))
    sign = "\N{MINUS SIGN}" if text.startswith("-") else ""
    return f"{sign}{grouped}{get_decimal_symbol(cldr(manner().locale)) if dot else ''}{cents}"


def is_us() -> bool:
    """Whether the units of the moment are those of the United States."""
    return manner().measures == "us"


def volume_unit() -> str:
    """The unit that volumes are read in: mL or US fluid ounces."""
    return "fl oz" if is_us() else "mL"


def volume_number(ml: Decimal | float) -> str:
    """A volume in the unit of the moment, without its name: whole mL, or tenths of a fluid ounce."""
    return number(Decimal(str(ml)) / ML_PER_FL_OZ, 1) if is_us() else number(ml)


def volume(ml: Decimal | float) -> str:
    """A volume as "280 mL" or "9.5 fl oz"."""
    return f"{volume_number(ml)} {volume_unit()}"


def dose(ml_per_day: Decimal | float) -> str:
    """A dose as "8.0 mL a day" or "0.27 fl oz a day"."""
    if is_us():
        return _("{amount} fl oz a day", amount=number(Decimal(str(ml_per_day)) / ML_PER_FL_OZ, 2))
    return _("{amount} mL a day", amount=number(ml_per_day, 1))


def hardness(mg_per_l: Decimal | float) -> str:
    """Hardness as CaCO3: "240 mg/L" or "14.0 grains per gallon"."""
    if is_us():
        grains = Decimal(str(mg_per_l)) / MG_PER_L_PER_GRAIN_PER_GALLON
        return _("{amount} grains per gallon", amount=number(grains, 1))
    return f"{number(mg_per_l)} mg/L"


def distance(km: Decimal | float) -> str:
    """A distance as "3.2 km" or "2.0 mi"."""
    return f"{number(Decimal(str(km)) / KM_PER_MILE, 1)} mi" if is_us() else f"{number(km, 1)} km"


def ml_typed(amount_typed: Decimal) -> int:
    """Whole mL for an amount typed in the unit of the moment."""
    ml = amount_typed * ML_PER_FL_OZ if is_us() else amount_typed
    return int(ml.to_integral_value(ROUND_HALF_UP))
