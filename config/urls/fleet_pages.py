"""What the office sets up of the fleet: rooms, labels, liquids and their sheets, and imports."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver

pages: list[URLPattern | URLResolver] = []
