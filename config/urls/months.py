"""The month sheet and the figures behind it."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from billing.pages import month_sheet
from servicing.pages import figures

# Pages of one operator, each under its address.
OPERATOR = "<slug:slug>"

pages: list[URLPattern | URLResolver] = [
    path(f"{OPERATOR}/figures/", figures.figures, name="figures"),
    path(f"{OPERATOR}/months/", month_sheet.sheet, name="month-sheet"),
    path(f"{OPERATOR}/months/<str:month>", month_sheet.sheet, name="month-sheet-of"),
    path(f"{OPERATOR}/months/<str:month>/<slug:figure>", month_sheet.figure, name="month-figure"),
]
