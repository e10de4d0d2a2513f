"""How values read on a page: dates, instants in a site's zone, money, volumes and the words of our vocabulary."""

from __future__ import annotations

from datetime import date

from django import template

register = template.Library()


@register.filter
def day(value: date | None) -> str:
    """A date as "Thu 26 Nov", with the year when it is asked for by ``day_year``."""
    return f"{value:%a} {value.day} {value:%b}" if value else ""
