"""Finding elements by their names alone, whatever the version of the message puts them into for a namespace."""

from __future__ import annotations

from datetime import date
from functools import cache
from typing import Any

Element = Any  # lxml's own type is private


@cache
def _anywhere(path: str) -> str:
    """The path whatever the namespace of its elements."""
    return "/".join(f"{{*}}{name}" for name in path.split("/"))


def every(element: Element, path: str) -> list[Element]:
    found: list[Element] = element.findall(_anywhere(path))
    return found


def at(element: Element, path: str) -> Element | None:
    return element.find(_anywhere(path))


def text_at(element: Element, path: str) -> str:
    found = at(element, path)
    return "" if found is None else words(found)


def first(element: Element, *paths: str) -> str:
    return next((text for path in paths if (text := text_at(element, path))), "")


def words(element: Element) -> str:
    """The text of an element with single spaces: banks break it at the ends of their lines."""
    return " ".join((element.text or "").split())


def date_in(text: str) -> date | None:
    try:
        return date.fromisoformat(text[:10])
    except ValueError:
        return None


def account_in(element: Element, path: str) -> str:
    """The number of an account, without spaces: an IBAN, or the bank's own."""
    number = first(element, *(f"{path}/Id/{one}" for one in ("IBAN", "Othr/Id", "BBAN", "PrtryAcct/Id")))
    return "".join(number.split())[:34]
