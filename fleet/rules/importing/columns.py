"""What the columns of an imported file are called and hold. Their names are English everywhere, as of all our files."""

from __future__ import annotations

from dataclasses import dataclass

from accounts.languages import N_

# A file of so many rows is looked at and imported while its page waits; a longer one is done by the workers.
MOST_ROWS = 5_000
MOST_ROWS_OF_ALL = 100_000
MOST_BYTES = 20 * 1024 * 1024
REASON = "reason"  # the column in which rows that were left out come back; ignored when they are sent again
UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its name, what stands in it (marked words), an example, and whether each row needs it."""

    name: str
    holds: str
    example: str
    is_needed: bool = False


SITE_KINDS = (
    "arena", "beach", "clinic", "hotel", "office", "plant", "restaurant", "retail", "school", "transit",
)  # fmt: skip
DUST = ("low", "normal", "high")
FIXTURES = ("urinal", "water_closet")
WICK_CONDITIONS = ("good", "slow", "failed")

_CUSTOMERS = (
    Column("code", N_("Your number of the customer; it never changes"), "C-104", is_needed=True),
    Column("name", N_("Name as on a bill"), "Harbour Schools Trust", is_needed=True),
    Column("country", N_("Two letters of ISO 3166-1"), "DE", is_needed=True),
    Column("address", N_("Postal address; a line break may stand in quotes"), "Kai 1, 21000 Ostrel"),
    Column("billing_email", N_("Where documents are mailed"), "accounts@customer.example"),
)
_SITES = (
    Column("code", N_("Your number of the site; it never changes"), "S-2071", is_needed=True),
    Column("customer", N_("Code of the customer who pays"), "C-104", is_needed=True),
    Column("name", N_("Name as crews know it"), "Marl Quay School", is_needed=True),
    Column("kind", ", ".join(SITE_KINDS), "school", is_needed=True),
    Column("zone", N_("Time zone of the IANA list; empty: the operator's"), "Europe/Berlin"),
    Column("address", N_("Street and place"), "Marl Quay 4, Ostrel"),
    Column("area", N_("Part of town, for finding and filtering"), "Harbour"),
    Column("latitude", N_("Degrees north, with longitude or not at all"), "53.5461"),
    Column("longitude", N_("Degrees east"), "9.9660"),
    Column("crew", N_("Name of the usual crew"), "Crew 2"),
    Column("hardness_mg_per_l", N_("Hardness of the water as CaCO3, in mg/L"), "240"),
    Column("dust", ", ".join(DUST), "normal"),
    Column(
        "access",
        N_("How a crew gets in; no codes, no place of a key"),
        "Ring at the gate, ask for the porter",
    ),
)
_PLACES = (
    Column("site", N_("Code of the site"), "S-2071", is_needed=True),
    Column(
        "restroom", N_("Name of the restroom; it is made if it is new"), "Ground floor, men", is_needed=True
    ),
    Column("station", N_("Name of the place on the wall; empty: only the restroom"), "Urinal 1"),
    Column("fixture", ", ".join(FIXTURES), "urinal"),
)
_AGREEMENTS = (
    Column("number", N_("Your number of the agreement"), "A-3310", is_needed=True),
    Column("site", N_("Code of the site"), "S-2071", is_needed=True),
    Column("starts_on", N_("First day that is agreed"), "2026-07-01", is_needed=True),
    Column("anchor_on", N_("Day that due days are counted from; empty: the first day"), "2026-07-10"),
    Column("interval_months", N_("Months between due days; empty: 1"), "1"),
    Column("grace_before_days", N_("Days of grace before; empty: 5"), "5"),
    Column("grace_after_days", N_("Days of grace after; empty: 3"), "3"),
    Column("ends_on", N_("First day that is no longer agreed; empty: open"), ""),
)
_UNITS = (
    Column(
        "code", N_("The nine characters of its label, from a sheet of labels"), "K3TMX0Q7V", is_needed=True
    ),
    Column("model", N_("Name of the unit model; needed for a unit that is new"), "Wall unit"),
    Column("site", N_("Code of the site where it hangs; empty: it hangs nowhere yet"), "S-2071"),
    Column("restroom", N_("Name of the restroom"), "Ground floor, men"),
    Column("station", N_("Name of the place on the wall"), "Urinal 1"),
    Column("as_of", N_("Day on which all this was so; empty: today"), "2026-07-01"),
    Column("installed_on", N_("Since when it hangs there; empty: not known"), "2023-03-14"),
    Column("last_exchange_on", N_("Last exchange of its cartridge; empty: not known"), "2026-06-12"),
    Column("cartridge", N_("Code of the cartridge in it; empty: not known"), "C300"),
    Column("charge_ml", N_("What the cartridge held when it went in, in mL; empty: full"), "300"),
    Column("left_ml", N_("Liquid that was left on that day, in whole mL; empty: not known"), "180"),
    Column("wick_fitted_on", N_("When its wick was fitted; empty: not known"), "2025-11-03"),
    Column("wick_condition", ", ".join(WICK_CONDITIONS), "good"),
    Column("reservoir_cleaned_on", N_("Last cleaning of its reservoir; empty: not known"), "2026-06-12"),
    Column("dose_ml_per_day", N_("Dose it is set to, in mL a day; empty: not known"), "9.5"),
)
# In the order in which they are imported: each names rows of those before.
KINDS: dict[str, tuple[Column, ...]] = {
    "customers": _CUSTOMERS,
    "sites": _SITES,
    "places": _PLACES,
    "agreements": _AGREEMENTS,
    "units": _UNITS,
}
TITLES = {
    "customers": N_("Customers"),
    "sites": N_("Sites"),
    "places": N_("Restrooms and stations"),
    "agreements": N_("Service agreements"),
    "units": N_("Units and how they stood"),
}
DAYS = frozenset(
    column.name
    for columns in KINDS.values()
    for column in columns
    if column.name.endswith("_on") or column.name == "as_of"
)


def names(kind: str) -> list[str]:
    """The columns of a kind in their order."""
    return [column.name for column in KINDS[kind]]


def template(kind: str) -> str:
    """An empty file of this kind: the row of names."""
    return ",".join(names(kind)) + "\r\n"
