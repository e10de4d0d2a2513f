"""Inputs as plain JSON and back: what a close stores, so that it can be rated again to the same bytes.

A close's own row keeps what all its parts read, each part's row the rest; together they are the inputs of the part.
"""

from __future__ import annotations

import types
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import fields, is_dataclass, replace
from datetime import date
from decimal import Decimal
from enum import StrEnum
from functools import cache
from typing import Any, Union, get_args, get_origin, get_type_hints
from uuid import UUID

import orjson

from billing.rules import inputs as plain
from billing.rules import parties
from billing.rules.inputs import Inputs, Item, Version


def frozen(inputs: Inputs) -> dict[str, Any]:
    """The inputs as plain JSON: ids and dates as text, decimals as plain text, rows in the order of their ids."""
    return orjson.loads(_bytes(_shared(inputs, inputs.items) | _own(inputs)))


def frozen_shared(inputs: Inputs) -> dict[str, Any]:
    """What all parts of a close read: the operator, the price list, who issues, and tax rates."""
    items = [
        replace(item, versions=tuple(v for v in item.versions if not v.contract_id)) for item in inputs.items
    ]
    return orjson.loads(_bytes(_shared(inputs, items)))


def frozen_part(inputs: Inputs, marks: Mapping[str, str]) -> bytes:
    """What one part reads beside it, as JSON with sorted keys: places, customers, contracts with their prices.

    ``marks`` by site: by them the next close sees what was agreed otherwise since.
    """
    prices = [(item.code, v) for item in inputs.items for v in item.versions if v.contract_id]
    return _bytes(_own(inputs) | {"marks": marks, "prices": prices})


def read_as(kind: Any, row: Any) -> Any:
    """A record of plain values read from its JSON form, such as orjson gives it."""
    return _reader(kind)(row)


def thawed(data: Mapping[str, Any]) -> Inputs:
    """The inputs that were stored, of one part together with what all parts read; the inverse of ``frozen``."""
    prices: dict[str, list[Version]] = defaultdict(list)
    for code, row in data.get("prices", ()):
        prices[code].append(_reader(Version)(row))
    items = [_reader(Item)(row) for row in data["items"]]
    return Inputs(
        operator=_reader(plain.Operator)(data["operator"]),
        items=tuple(replace(item, versions=(*item.versions, *prices[item.code])) for item in items),
        sites=_by_id(plain.Site, data["sites"]),
        stations=_by_id(plain.Station, data["stations"]),
        units={UUID(unit_id): code for unit_id, code in data["units"]},
        customers=_by_id(plain.Customer, data["customers"]),
        entities={
            None if name is None else UUID(name): _reader(parties.Entity)(row)
            for name, row in data["entities"]
        },
        profiles={row.customer_id: row for row in map(_reader(parties.Profile), data["profiles"])},
        site_taxes={row.site_id: row for row in map(_reader(parties.SiteTax), data["site_taxes"])},
        orders=tuple(map(_reader(parties.Order), data["orders"])),
        rates=tuple(map(_reader(parties.Rate), data["rates"])),
        contracts=_by_id(plain.Contract, data["contracts"]),
        contract_sites=tuple(map(_reader(plain.ContractSite), data["contract_sites"])),
    )


def _shared(inputs: Inputs, items: Iterable[Item]) -> dict[str, Any]:
    return {
        "entities": sorted(inputs.entities.items(), key=lambda entry: str(entry[0] or "")),
        "items": list(items),
        "operator": inputs.operator,
        "rates": inputs.rates,
    }


def _own(inputs: Inputs) -> dict[str, Any]:
    return {
        "contract_sites": inputs.contract_sites,
        "contracts": _ordered(inputs.contracts),
        "customers": _ordered(inputs.customers),
        "orders": inputs.orders,
        "profiles": _ordered(inputs.profiles),
        "site_taxes": _ordered(inputs.site_taxes),
        "sites": _ordered(inputs.sites),
        "stations": _ordered(inputs.stations),
        "units": sorted(inputs.units.items()),
    }


def _ordered(rows: Mapping[UUID, Any]) -> list[Any]:
    return [rows[key] for key in sorted(rows)]


def _bytes(value: Any) -> bytes:
    """Written twice: the fields of records are sorted only once they are plain JSON."""
    rows = orjson.loads(orjson.dumps(value, default=_text))
    return orjson.dumps(rows, option=orjson.OPT_SORT_KEYS)


def _text(value: Any) -> str:
    if isinstance(value, Decimal):
        return format(value, "f")
    raise TypeError(f"{value!r} has no place in frozen inputs.")


def _by_id(kind: Any, rows: Iterable[Mapping[str, Any]]) -> dict[UUID, Any]:
    return {row.id: row for row in map(_reader(kind), rows)}


@cache
def _reader(kind: Any) -> Callable[[Any], Any]:
    """How a value of this type is read from its JSON form."""
    if kind in (UUID, Decimal):
        return kind
    if kind is date:
        return date.fromisoformat
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        inner = _reader(next(one for one in get_args(kind) if one is not type(None)))
        return lambda value: None if value is None else inner(value)
    if origin is tuple:
        each = _reader(get_args(kind)[0])
        return lambda value: tuple(map(each, value))
    if is_dataclass(kind):
        hints = get_type_hints(kind)
        readers = [(field.name, _reader(hints[field.name])) for field in fields(kind)]
        make: Callable[..., Any] = kind  # type: ignore[assignment]
        return lambda row: make(**{name: read(row[name]) for name, read in readers})
    return kind if isinstance(kind, type) and issubclass(kind, StrEnum) else _as_it_is


def _as_it_is(value: Any) -> Any:
    return value
