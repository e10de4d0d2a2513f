"""What the office sets up of the fleet: rooms, labels, liquids and their sheets, imports, and units put up and taken down."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from fleet.pages import labels, rooms, sheets, supplies
from servicing.pages import importing, installing
from servicing.queries.hanging import codes_at_site
from servicing.queries.units import unit_ids_beyond_printing

# Pages of one operator, each under its address.
OPERATOR = "<slug:slug>"

SET_UP = f"{OPERATOR}/set-up"
SITE = f"{OPERATOR}/sites/<str:code>"
UNIT = f"{OPERATOR}/units/<str:code>"
# What the fleet's pages know of the work: which units were ever up, and what hangs where.
HUNG = {"hung": unit_ids_beyond_printing}
CSV, XLSX = {"form": "csv"}, {"form": "xlsx"}

pages: list[URLPattern | URLResolver] = [
    path(f"{SET_UP}/fleet", supplies.supplies, name="fleet-set-up"),
    path(f"{SET_UP}/fleet/model", supplies.add_model, name="add-unit-model"),
    path(f"{SET_UP}/fleet/liquid", supplies.add_liquid, name="add-liquid"),
    path(f"{SET_UP}/fleet/cartridge", supplies.add_cartridge, name="add-cartridge"),
    path(f"{SET_UP}/fleet/liquid/<uuid:liquid_id>", supplies.change_liquid, name="change-liquid"),
    path(f"{SET_UP}/labels", labels.labels, HUNG, name="labels"),
    path(f"{SET_UP}/labels/print", labels.print_new, HUNG, name="print-labels"),
    path(f"{SET_UP}/labels/sheet.pdf", labels.sheet, HUNG, name="label-sheet"),
    path(f"{SET_UP}/safety-sheets", sheets.sheets, name="safety-sheets"),
    path(f"{SET_UP}/safety-sheets/add", sheets.add_sheet, name="add-safety-sheet"),
    path(f"{SET_UP}/safety-sheets/<uuid:sheet_id>.pdf", sheets.sheet_file, name="safety-sheet"),
    path(f"{SET_UP}/safety-sheets/<uuid:sheet_id>/remove", sheets.remove_sheet, name="remove-safety-sheet"),
    path(f"{SET_UP}/import", importing.look, name="import"),
    path(f"{SET_UP}/import/rows", importing.carry_out, name="import-rows"),
    path(f"{SET_UP}/import/left-out", importing.bad_rows, name="import-left-out"),
    path(f"{SET_UP}/import/<slug:kind>.csv", importing.template, CSV, name="import-template"),
    path(f"{SET_UP}/import/<slug:kind>.xlsx", importing.template, XLSX, name="import-template-xlsx"),
    path(f"{SET_UP}/import/there/<slug:kind>.csv", importing.there, CSV, name="import-there"),
    path(f"{SET_UP}/import/there/<slug:kind>.xlsx", importing.there, XLSX, name="import-there-xlsx"),
    path(f"{SET_UP}/import/<uuid:look_id>", importing.one, name="import-one"),
    path(f"{SET_UP}/import/<uuid:look_id>/rows", importing.carry_out_one, name="import-one-rows"),
    path(f"{SET_UP}/import/<uuid:work_id>/left-out.csv", importing.left_out_one, name="import-one-left-out"),
    path(f"{SITE}/rooms", rooms.rooms, {"hanging_at": codes_at_site}, name="site-rooms"),
    path(f"{SITE}/rooms/<uuid:restroom_id>", rooms.room, name="site-room"),
    path(f"{SITE}/stations/<uuid:station_id>", rooms.station, name="site-station"),
    path(f"{SITE}/install", installing.install, name="install-unit"),
    path(f"{UNIT}/move", installing.move, name="move-unit"),
    path(f"{UNIT}/withdraw", installing.withdraw, name="withdraw-unit"),
]
