"""The words of tax: regimes, classes of supplies, categories of EN 16931, and how a customer is treated."""

from __future__ import annotations

REGIMES = [
    ("none", "No tax"),
    ("vat", "VAT"),
    ("gst", "GST"),
    ("sales_tax", "Sales tax"),
]
TAX_BASES = [
    ("invoice", "On the sum of each rate"),
    ("item", "Line by line"),
]
CLASSES = {"standard": "Standard", "reduced": "Reduced", "zero": "Zero", "exempt": "Exempt"}
# EN 16931, BT-118.
CATEGORIES = {
    "S": "standard or reduced rate",
    "Z": "zero rate",
    "E": "exempt",
    "AE": "reverse charge",
    "K": "within the union, to another member state",
    "G": "export",
    "O": "outside the scope of tax",
    "L": "Canary Islands",
    "M": "Ceuta and Melilla",
}
TREATMENTS = {
    "standard": "Taxed as its place is",
    "reverse_charge": "The customer owes the tax (reverse charge)",
    "intra_community": "In another member state",
    "export": "Export",
    "exempt": "Exempt",
    "outside": "Outside the scope of tax",
}
