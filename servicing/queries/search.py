"""Finding a unit, a site, a customer or a crew by a few characters of what it is called.

Each question is one statement over one table of one operator. The tables are small for a search (20,000 units, 2,000
sites): a part of a word is looked for row by row, in a few milliseconds, and no index has to be kept for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from django.db.models import Case, IntegerField, Q, QuerySet, Value, When

from accounts import queries as accounts
from accounts.ids import LABEL_CODE_LENGTH, normalise_label_code
from fleet import queries as fleet
from servicing.models import UnitState

# Of each kind; whoever needs more types one more character.
MOST = 12
LONGEST = 80
# A part of a label shorter than this is on half of all labels.
SHORTEST_LABEL = 3


@dataclass(frozen=True, slots=True)
class Found:
    """One thing with that name: its address's part ``key``, what it is called, and where or what it is."""

    key: str
    name: str
    about: str = ""


@dataclass(frozen=True, slots=True)
class FoundAll:
    """What was found of each kind, at most ``MOST`` and one more."""

    units: list[Found]
    sites: list[Found]
    customers: list[Found]
    crews: list[Found]


def exact_unit(text: str) -> str | None:
    """The code of the unit whose whole label this is, in any spelling; None for no such unit."""
    label = normalise_label_code(text)
    if len(label) != LABEL_CODE_LENGTH:
        return None
    found: str | None = fleet.units().filter(code=label).values_list("code", flat=True).first()
    return found


def find(text: str, *, with_customers: bool) -> FoundAll:
    """What carries this text in its label, code, name, area or address; names that begin with it first."""
    wanted = text.strip()[:LONGEST]
    if not wanted:
        return FoundAll([], [], [], [])
    return FoundAll(
        units=_units(wanted),
        sites=_sites(wanted),
        customers=_customers(wanted) if with_customers else [],
        crews=_crews(wanted),
    )


def _units(wanted: str) -> list[Found]:
    label = normalise_label_code(wanted)
    if not SHORTEST_LABEL <= len(label) <= LABEL_CODE_LENGTH:
        return []
    rows = fleet.units().filter(code__contains=label).order_by("code").values_list("id", "code")
    found = list(rows[: MOST + 1])
    where = _where([unit_id for unit_id, _code in found])
    return [Found(code, code, where.get(unit_id, "")) for unit_id, code in found]


def _where(unit_ids: list[UUID]) -> dict[UUID, str]:
    """The site and place of units that hang somewhere."""
    states = UnitState.objects.filter(unit_id__in=unit_ids).exclude(site=None)
    rows = states.values_list("unit_id", "site__name", "station__restroom__name", "station__name")
    return {unit_id: ", ".join(part for part in place if part) for unit_id, *place in rows}


def _sites(wanted: str) -> list[Found]:
    carries = Q(name__icontains=wanted) | Q(area__icontains=wanted) | Q(address__icontains=wanted)
    rows = accounts.sites().filter(carries | Q(code__istartswith=wanted))
    return [Found(code, name, area) for code, name, area in _best_first(rows, wanted, "code", "name", "area")]


def _customers(wanted: str) -> list[Found]:
    rows = accounts.customers().filter(Q(name__icontains=wanted) | Q(code__istartswith=wanted))
    return [Found(code, name, code) for code, name in _best_first(rows, wanted, "code", "name")]


def _crews(wanted: str) -> list[Found]:
    rows = accounts.crews().filter(name__icontains=wanted, is_active=True)
    return [Found(str(crew_id), name) for crew_id, name in rows.values_list("id", "name")[: MOST + 1]]


def _best_first(rows: QuerySet, wanted: str, *columns: str) -> list[tuple[str, ...]]:
    """The code itself first, then names that begin so, then the rest, each by name."""
    nearness = Case(
        When(code__iexact=wanted, then=Value(0)),
        When(name__istartswith=wanted, then=Value(1)),
        default=Value(2),
        output_field=IntegerField(),
    )
    return list(rows.order_by(nearness, "name", "code").values_list(*columns)[: MOST + 1])
