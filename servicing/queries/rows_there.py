"""What an operator has, as rows of the files that can be imported: the same columns, so that they can come back."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any
from uuid import UUID

from accounts import queries as accounts
from fleet import queries as fleet
from servicing import log
from servicing.events.types import EventType
from servicing.models import UnitState
from servicing.queries.standing import standings_of

Rows = Iterator[dict[str, Any]]
AT_ONCE = 2_000
_FACTS = (
    *("as_of", "installed_on", "last_exchange_on", "charge_ml", "left_ml"),
    *("wick_fitted_on", "wick_condition", "reservoir_cleaned_on", "dose_ml_per_day"),
)


def rows_there(kind: str) -> Rows:
    """The rows of a kind of file, inside a scope: by column the value; what is empty is left out or None."""
    return _ROWS[kind]()


def _customers() -> Rows:
    columns = ("code", "name", "country", "address", "billing_email")
    for row in accounts.customers().order_by("code").values_list(*columns):
        yield dict(zip(columns, row, strict=True))


def _sites() -> Rows:
    columns = {
        "code": "code", "customer": "customer__code", "name": "name", "kind": "kind", "zone": "zone",
        "address": "address", "area": "area", "latitude": "latitude", "longitude": "longitude",
        "crew": "crew__name", "is_active": "crew__is_active", "hardness_mg_per_l": "hardness_mg_per_l",
        "dust": "dust", "access": "access",
    }  # fmt: skip
    for values in accounts.sites().order_by("code").values_list(*columns.values()):
        row = dict(zip(columns, values, strict=True))
        # A crew that works no longer can't be given to a site.
        if not row.pop("is_active"):
            row["crew"] = None
        yield row


def _places() -> Rows:
    """By site, each restroom with its stations; one without any is a row of its own."""
    stations: dict[UUID, list[tuple[str, str]]] = {}
    for room_id, name, fixture in fleet.station_rows().values_list("restroom_id", "name", "fixture"):
        stations.setdefault(room_id, []).append((name, fixture))
    rooms: dict[UUID, list[tuple[UUID, str]]] = {}
    for room_id, site_id, name in fleet.restrooms().values_list("id", "site_id", "name"):
        rooms.setdefault(site_id, []).append((room_id, name))
    for site_id, code in accounts.sites().order_by("code").values_list("id", "code"):
        for room_id, name in rooms.get(site_id, ()):
            for station, fixture in stations.get(room_id, [("", "")]):
                yield {"site": code, "restroom": name, "station": station, "fixture": fixture}


def _agreements() -> Rows:
    columns = {
        "number": "number", "site": "site__code", "starts_on": "starts_on", "anchor_on": "anchor_on",
        "interval_months": "interval_months", "grace_before_days": "grace_before_days",
        "grace_after_days": "grace_after_days", "ends_on": "ends_on",
    }  # fmt: skip
    for values in accounts.agreements().order_by("number").values_list(*columns.values()):
        yield dict(zip(columns, values, strict=True))


def _units() -> Rows:
    """Where each hangs; and for one that still hangs where it was opened, how it stood then."""
    codes = dict(accounts.sites().values_list("id", "code"))
    after = ""
    while page := list(
        fleet.units().filter(code__gt=after).values_list("id", "code", "unit_model__name")[:AT_ONCE]
    ):
        yield from _units_of(page, codes)
        after = page[-1][1]


def _units_of(page: list[tuple[UUID, str, str]], codes: Mapping[UUID, str]) -> Rows:
    ids = [unit_id for unit_id, _code, _model in page]
    states = UnitState.objects.filter(unit_id__in=ids)
    hangs_at = dict(states.filter(station_id__isnull=False).values_list("unit_id", "station_id"))
    began_before = states.filter(unit_id__in=hangs_at, history__has_key="opened_at").exclude(
        history__opened_at=None
    )
    opened = list(began_before.values_list("unit_id", flat=True))
    places = fleet.stations(hangs_at.values())
    said = _openings_of(opened)
    cartridges = {str(one.id): one.code for one in fleet.cartridges()}
    for unit_id, code, model in page:
        row: dict[str, Any] = {"code": code, "model": model}
        place = places.get(hangs_at.get(unit_id, unit_id))
        if place is not None:
            row |= {"site": codes[place.site_id], "restroom": place.restroom, "station": place.station}
            payload = said.get(unit_id, {})
            if payload.get("station_id") == str(place.station_id):
                row |= {name: payload.get(name) for name in _FACTS}
                row["cartridge"] = cartridges.get(payload.get("cartridge_id", ""))
        yield row


def _openings_of(unit_ids: list[UUID]) -> dict[UUID, dict[str, Any]]:
    if not unit_ids:
        return {}
    events = log.events_of_type(EventType.UNIT_OPENED.value, unit_ids)
    standing = standings_of([one.event_id for one in events])
    return {one.subject_id: one.payload for one in events if standing[one.event_id].word != "superseded"}


_ROWS: Mapping[str, Callable[[], Rows]] = {
    "customers": _customers,
    "sites": _sites,
    "places": _places,
    "agreements": _agreements,
    "units": _units,
}
