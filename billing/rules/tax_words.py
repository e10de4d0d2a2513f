"""The words of tax: regimes, classes of supplies, categories of EN 16931, and how a customer is treated."""

from __future__ import annotations

from accounts.languages import N_

REGIMES = [
    ("none", N_("No tax")),
    ("vat", N_("VAT")),
    ("gst", N_("GST")),
    ("sales_tax", N_("Sales tax")),
]
TAX_BASES = [
    ("invoice", N_("On the sum of each rate")),
    ("item", N_("Line by line")),
]
CLASSES = {
    "standard": N_("Standard"),
    "reduced": N_("Reduced"),
    "zero": N_("Zero"),
    "exempt": N_("Exempt"),
}
CLASS_NAMES = {
    "standard": N_("standard"),
    "reduced": N_("reduced"),
    "zero": N_("zero"),
    "exempt": N_("exempt"),
}
# EN 16931, BT-118.
CATEGORIES = {
    "S": N_("standard or reduced rate"),
    "Z": N_("zero rate"),
    "E": N_("exempt"),
    "AE": N_("reverse charge"),
    "K": N_("within the union, to another member state"),
    "G": N_("export"),
    "O": N_("outside the scope of tax"),
    "L": N_("Canary Islands"),
    "M": N_("Ceuta and Melilla"),
}
TREATMENTS = {
    "standard": N_("Taxed as its place is"),
    "reverse_charge": N_("The customer owes the tax (reverse charge)"),
    "intra_community": N_("In another member state"),
    "export": N_("Export"),
    "exempt": N_("Exempt"),
    "outside": N_("Outside the scope of tax"),
}
TREATED = {
    "standard": N_("It is taxed as its place is."),
    "reverse_charge": N_("It is the customer owes the tax (reverse charge)."),
    "intra_community": N_("It is in another member state."),
    "export": N_("It is export."),
    "exempt": N_("It is exempt."),
    "outside": N_("It is outside the scope of tax."),
}
