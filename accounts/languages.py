"""In which language, with which numbers and in which units the words of the moment are said.

Whoever opens a door says for whom it speaks (``speaking``); sentences and values then follow, in rules and commands
as on pages. Sentences stand in the code in English; the catalogues of ``config/locale`` hold the others.
"""

from __future__ import annotations

import gettext
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from babel import Locale
from babel.numbers import format_decimal

CATALOGUES = Path(__file__).resolve().parent.parent / "config" / "locale"
# What people choose from, by tag (BCP 47), each in its own words.
LOCALES = {"en-GB": "English (Britain)", "en-US": "English (United States)", "de-DE": "Deutsch"}
TRANSLATED = frozenset({"de"})


@dataclass(frozen=True, slots=True)
class Manner:
    """How to say something: a locale's tag, and ``metric`` or ``us`` units."""

    locale: str = "en-GB"
    measures: str = "metric"

    @property
    def language(self) -> str:
        """The language's own code, such as "de"."""
        return self.locale.partition("-")[0].lower()


_PLAIN = Manner()
_manner: ContextVar[Manner] = ContextVar("wickround_manner", default=_PLAIN)


@contextmanager
def speaking(manner: Manner) -> Iterator[None]:
    """Everything said inside is said in this manner; afterwards as before."""
    token = _manner.set(manner)
    try:
        yield
    finally:
        _manner.reset(token)


def manner() -> Manner:
    """The manner of the moment; British English and metric units where nobody said otherwise."""
    return _manner.get()


def known_locale(tag: str) -> str:
    """The locale of ``LOCALES`` nearest to a tag such as "de-AT" or "en_us"; British English for a strange one."""
    wanted = tag.replace("_", "-").casefold()
    for known in LOCALES:
        if known.casefold() == wanted:
            return known
    language = wanted.partition("-")[0]
    return next((known for known in LOCALES if known.partition("-")[0] == language), "en-GB")


@cache
def cldr(tag: str) -> Locale:
    """Unicode's data of a locale of ``LOCALES``."""
    return Locale.parse(known_locale(tag), sep="-")


@cache
def _catalogue(language: str) -> gettext.NullTranslations:
    if language not in TRANSLATED:
        return gettext.NullTranslations()
    return gettext.translation("django", CATALOGUES, languages=[language])


def _(message: str, /, **values: Any) -> str:
    """A sentence in the language of the moment; ``values`` fill its {names} (str.format)."""
    said = _catalogue(_manner.get().language).gettext(message) if message else ""
    return said.format(**values) if values else said


def _n(singular: str, plural: str, count: int, /, **values: Any) -> str:
    """The sentence for a count, which fills {count} as the locale writes it; ``values`` fill its other {names}."""
    said = _catalogue(_manner.get().language).ngettext(singular, plural, count)
    return said.format(count=format_decimal(count, locale=cldr(_manner.get().locale)), **values)


def N_(message: str) -> str:  # noqa: N802 - gettext's own name for words that are said elsewhere
    """Marks words of a table as words to translate; whoever says them passes them through ``_``."""
    return message
