"""Every read of the fleet that others use, inside an operator's scope."""

from fleet.queries.masterdata import (
    CartridgeFacts,
    cartridge_facts,
    cartridges,
    cartridges_in,
    get_liquid,
    liquids,
    unit_models,
)
from fleet.queries.places import (
    StationPlace,
    restrooms,
    site_of_each_station,
    station_rows,
    stations,
    stations_of_site,
)
from fleet.queries.sheets import SheetFacts, get_safety_sheet, safety_sheet_content, safety_sheets
from fleet.queries.units import get_unit, known_unit_ids, unit_by_code, unit_codes, units

__all__ = [
    "CartridgeFacts",
    "SheetFacts",
    "StationPlace",
    "cartridge_facts",
    "cartridges",
    "cartridges_in",
    "get_liquid",
    "get_safety_sheet",
    "get_unit",
    "known_unit_ids",
    "liquids",
    "restrooms",
    "safety_sheet_content",
    "safety_sheets",
    "site_of_each_station",
    "station_rows",
    "stations",
    "stations_of_site",
    "unit_by_code",
    "unit_codes",
    "unit_models",
    "units",
]
