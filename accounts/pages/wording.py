"""What people choose from, in words: kinds of sites, dust, roles, countries and languages."""

from __future__ import annotations

from babel.core import get_global

from accounts.languages import LOCALES, N_, _, cldr, manner
from accounts.pages.fields import Choices, words_of
from accounts.permissions import ROLE_WORDS, Role

SITE_KINDS = {
    "arena": N_("arena"),
    "beach": N_("beach"),
    "clinic": N_("clinic"),
    "hotel": N_("hotel"),
    "office": N_("office"),
    "plant": N_("plant"),
    "restaurant": N_("restaurant"),
    "retail": N_("retail"),
    "school": N_("school"),
    "transit": N_("transit"),
}
DUST = {
    "low": N_("Little: hardly any dust"),
    "normal": N_("As in most buildings"),
    "high": N_("Much: flour, grease or building dust"),
}
ROLES = {
    Role.OWNER: N_("Owner: everything, members and rules too"),
    Role.DISPATCHER: N_("Dispatcher: rounds, visits, sites and crews; no money"),
    Role.CREW_MEMBER: N_("Crew member: sees the work and records it"),
    Role.BOOKKEEPER: N_("Bookkeeper: contracts, prices, documents and payments"),
    Role.VIEWER: N_("Viewer: reads everything, changes nothing"),
    Role.NETWORK: N_("Network: the franchise's royalty statements only"),
}
MEASURES = {
    "metric": N_("Metric: mL, km, mg/L"),
    "us": N_("United States: fl oz, miles, grains per gallon"),
}
# Babel's list holds groups of countries and private codes too.
_NO_COUNTRIES = {"EU", "EZ", "QO", "UN", "XA", "XB", "ZZ"}


def site_kinds() -> Choices:
    words = ((key, _(word)) for key, word in SITE_KINDS.items())
    return sorted(((key, word[:1].upper() + word[1:]) for key, word in words), key=lambda one: one[1])


def dust() -> Choices:
    return words_of(DUST.items())


def roles() -> Choices:
    return [(role.value, _(words)) for role, words in ROLES.items()]


def role(value: str) -> str:
    """A role in a sentence: "crew member"."""
    return _(ROLE_WORDS[Role(value)])


def measures() -> Choices:
    return words_of(MEASURES.items())


def locales() -> Choices:
    """The languages, each in its own words."""
    return list(LOCALES.items())


def countries() -> Choices:
    """ISO 3166-1 codes with the countries' names in the language of the moment, by name (Unicode's)."""
    names = cldr(manner().locale).territories
    found = [(code, name) for code, name in names.items() if _is_country(code)]
    return sorted(found, key=lambda one: one[1])


def _is_country(code: str) -> bool:
    return len(code) == len("DE") and code.isalpha() and code not in _NO_COUNTRIES


def country_of_zone(zone: str) -> str:
    """The country that an IANA zone is named for, such as DE for Europe/Berlin; "" for one of none (Unicode's)."""
    code = get_global("zone_territories").get(zone, "")
    return code if _is_country(code) else ""
