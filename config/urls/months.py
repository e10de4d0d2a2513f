"""The month sheet and the figures behind it."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from servicing.pages import figures

# Pages of one operator, each under its address.
OPERATOR = "<slug:slug>"

pages: list[URLPattern | URLResolver] = [
    path(f"{OPERATOR}/figures/", figures.figures, name="figures"),
]
