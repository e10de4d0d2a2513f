"""Every write of the fleet's master data: one function a use case, many rows at a time where crews bring many."""

from fleet.commands.labels import MOST_LABELS, print_labels
from fleet.commands.masterdata import MOST_ML, add_cartridge, add_liquid, add_unit_model, change_liquid
from fleet.commands.places import (
    add_fixtures,
    add_restroom_with_fixtures,
    add_restrooms,
    add_stations,
    rename_restroom,
    rename_station,
)
from fleet.commands.sheets import add_safety_sheet, remove_safety_sheet

__all__ = [
    "MOST_LABELS",
    "MOST_ML",
    "add_cartridge",
    "add_fixtures",
    "add_liquid",
    "add_restroom_with_fixtures",
    "add_restrooms",
    "add_safety_sheet",
    "add_stations",
    "add_unit_model",
    "change_liquid",
    "print_labels",
    "remove_safety_sheet",
    "rename_restroom",
    "rename_station",
]
