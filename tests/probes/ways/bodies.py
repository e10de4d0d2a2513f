"""A rival's ids inside bodies: in each field of the API's description that names a row, alone and as the second of two."""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any
from uuid import uuid4

from accounts import clock
from config.schema.view import document
from tests.api.calls import PLACES, Setting
from tests.probes import places
from tests.probes.asking import Ask, Probe
from tests.probes.ground import Caller, Ground, Operator, nobody_has
from tests.probes.routes import Operation, operations
from tests.probes.ways.addresses import KEY_HEADER

# Fields that name a row by something else than an id.
BY_NAME = {"document": "number"}
# Fields whose name is not that of what they name, by the operation.
NAMED_OTHERWISE = {
    ("add_external_ids", "id"): "customer_id",
    ("return_bank_entry", "payment"): "returned_payment_id",
    ("set_customer_billing_profile", "bill_to"): "customer_id",
    ("add_report", "id"): "event_id",
    ("begin_standstill", "id"): "event_id",
    ("counter_service_event", "id"): "event_id",
    ("keep_personal_text", "id"): "text_id",
}
# Fields beside which the good body must not name another row.
EITHER = {
    ("add_report", "unit"): ("site",),
    ("add_purchase_orders", "site"): (),
    ("add_refund", "payment"): ("credit_note",),
}
# Ids that whoever sends makes up, so that a rival's one is as good as any, and its row still the rival's own.
MADE_UP = {
    ("keep_personal_text", "person"),
    ("keep_personal_text", "id"),
    ("add_report", "id"),
    ("begin_standstill", "id"),
    ("counter_service_event", "id"),
}
# Made; or refused, since the one before made it already.
DONE = frozenset({200, 201, 400, 409})
REFUSED = frozenset({400, 404, 409, 422, 428})
# What an upload of events names has probes of its own: it is answered event by event.
ANSWERED_ONE_BY_ONE = {"upload_service_events"}
# What a second row of a bulk must not say again.
OWN_NAMES = ("code", "number", "name", "label", "external_id")
Path = tuple[str | int, ...]


@dataclass(frozen=True)
class Reference:
    """A field of a body: where it is, and what kind of row it names (a key of ``Operator.ids``)."""

    path: Path
    kind: str

    @property
    def pointer(self) -> str:
        return "/" + "/".join(map(str, self.path))


def references(operation: Operation) -> list[Reference]:
    """Each field of a body that names a row, as the description has it; of lists the first."""
    content = operation.described.get("requestBody", {}).get("content", {})
    schema = content.get("application/json", {}).get("schema")
    if schema is None or operation.name in ANSWERED_ONE_BY_ONE:
        return []
    found = [Reference(path, _kind(operation, str(path[-1]))) for path in _fields(schema, ())]
    return list(dict.fromkeys(found))


def _kind(operation: Operation, name: str) -> str:
    return NAMED_OTHERWISE.get((operation.name, name)) or BY_NAME.get(name) or f"{name}_id"


def _fields(schema: Mapping[str, Any], path: Path) -> Iterator[Path]:
    schema = _resolved(schema)
    for one in (*schema.get("oneOf", ()), *schema.get("anyOf", ()), *schema.get("allOf", ())):
        # A body of one object or of a list is probed as one object here, and as a list of its own.
        if path or _resolved(one).get("type") != "array":
            yield from _fields(one, path)
    named = str(path[-1]) if path else ""
    if path and (schema.get("format") == "uuid" or (named in BY_NAME and schema.get("type") == "string")):
        yield path
    for name, inner in schema.get("properties", {}).items():
        yield from _fields(inner, (*path, name))
    if "items" in schema:
        yield from _fields(schema["items"], (*path, 0))


def _resolved(schema: Mapping[str, Any]) -> Mapping[str, Any]:
    while "$ref" in schema:
        schema = document()["components"]["schemas"][schema["$ref"].rpartition("/")[2]]
    return schema


def takes_many(operation: Operation) -> bool:
    """Whether a list of bodies may be sent too."""
    content = operation.described.get("requestBody", {}).get("content", {})
    schema = _resolved(content.get("application/json", {}).get("schema", {}))
    kinds = [_resolved(one) for one in (schema, *schema.get("oneOf", ()), *schema.get("anyOf", ()))]
    return any(one.get("type") == "array" for one in kinds)


def foreign_references(ground: Ground, operation: Operation, callers: tuple[str, ...]) -> Iterator[Probe]:
    """The good body of one's own, with a rival's row in the place of one of its fields."""
    for reference in references(operation):
        value = ground.south.ids.get(reference.kind)
        if value is None or (operation.name, reference.path[-1]) in MADE_UP:
            continue
        for caller in _who(ground.full, operation, callers):
            yield _probe(ground, operation, caller, reference, value, many=False)
            if takes_many(operation):
                yield _probe(ground, operation, caller, reference, value, many=True)


def made_up(ground: Ground, operation: Operation, callers: tuple[str, ...]) -> Iterator[Probe]:
    """A rival's id for a row of one's own."""
    for reference in references(operation):
        value = ground.south.ids.get(reference.kind)
        if value is not None and (operation.name, reference.path[-1]) in MADE_UP:
            for caller in _who(ground.full, operation, callers):
                probe = _probe(ground, operation, caller, reference, value, many=False)
                yield Probe(
                    operation.name,
                    "a rival's id for one's own row",
                    caller,
                    probe.ask,
                    None,
                    DONE,
                )


def _who(of: Operator, operation: Operation, callers: tuple[str, ...]) -> list[Caller]:
    permission = operation.route.permissions[operation.method]
    return [one for one in of.callers if one.name in callers and one.may(permission, operation.method)]


def unknown_kinds(ground: Ground) -> list[str]:
    """Fields for which the ground has no row of a rival's."""
    return sorted(
        f"{operation.name} {reference.pointer}: {reference.kind}"
        for operation in operations()
        for reference in references(operation)
        if reference.kind not in ground.south.ids
    )


def _probe(
    ground: Ground, operation: Operation, caller: Caller, reference: Reference, value: str, *, many: bool
) -> Probe:
    own = _own_places(ground, operation)
    path: Path = (1, *reference.path) if many else reference.path
    both = []
    for said in (value, nobody_has(value)):
        body = _body(ground, operation, reference, said, many=many)
        headers = {KEY_HEADER: f'"{uuid4()}"'} if caller.is_program else {}
        address = operation.route.path(own)
        both.append(Ask(operation.method, address, (said,), {}, body, "application/json", headers))
    pointer = "/" + "/".join(map(str, path))
    way = "a rival's row in a list" if many else "a rival's row in a body"
    return Probe(operation.name, way, caller, both[0], both[1], REFUSED, pointer)


def _own_places(ground: Ground, operation: Operation) -> dict[str, str]:
    """One's own row in the address, as the examples of the description have it; made once for each operation."""
    full, made = ground.full, PLACES.get(operation.name)
    key = f"places of {operation.name}"
    if key not in full.bodies:
        full.bodies[key] = made(Setting(full.cast, full.owner.client, full.ids)) if made else {}
    return {part: (full.bodies[key].get(part) or full.ids[part]) for part in operation.route.parts}


def _body(ground: Ground, operation: Operation, reference: Reference, said: str, *, many: bool) -> Any:
    good = ground.full.body(operation)
    one = copy.deepcopy(good[0] if isinstance(good, list) else good) or {}
    changed = copy.deepcopy(one)
    if many:
        for name in OWN_NAMES:
            if isinstance(changed.get(name), str):
                changed[name] += "x"
    put(changed, reference.path, said)
    for other in EITHER.get((operation.name, str(reference.path[-1])), ()):
        changed.pop(other, None)
    return [one, changed] if many else changed


def put(node: Any, path: Path, value: Any) -> None:
    """Put a value into a body, making what is not there yet."""
    for step, after in pairwise(path):
        if isinstance(step, int):
            while len(node) <= step:
                node.append([] if isinstance(after, int) else {})
        elif step not in node or node[step] is None:
            node[step] = [] if isinstance(after, int) else {}
        node = node[step]
    last = path[-1]
    if isinstance(last, int) and len(node) <= last:
        node.append(value)
    else:
        node[last] = value


def foreign_events(ground: Ground, caller: Caller) -> Iterator[Probe]:
    """What a phone uploads: each field of an event that names a row, and the id of a rival's event as its own."""
    operation = next(one for one in operations() if one.name == "upload_service_events")
    ids, cast = ground.south.ids, ground.full.cast
    payload = {
        "unit.installed": {"station_id": "station_id", "cartridge_id": "cartridge_id"},
        "unit.opened": {"station_id": "station_id", "cartridge_id": "cartridge_id"},
        "cartridge.exchanged": {"cartridge_id": "cartridge_id"},
        "visit.made": {"site_id": "site_id", "crew_id": "crew_id"},
    }
    good = {
        "unit.installed": cast.installed(cast.units[2], station=2),
        "unit.opened": cast.event(
            "unit.opened",
            cast.units[2],
            None,
            station_id=cast.stations[2].id,
            as_of=clock.now().date(),
            charge_ml=280,
            cartridge_id=cast.cartridge.id,
        ),
        "cartridge.exchanged": cast.exchanged(),
        "visit.made": cast.event(
            "visit.made", uuid4(), None, site_id=cast.site.id, outcome="served", crew_id=cast.crew.id
        ),
    }
    fields = [
        *((kind, ("payload", name), key) for kind, named in payload.items() for name, key in named.items()),
        *((kind, ("subject", "id"), "unit_id") for kind in ("unit.installed", "cartridge.exchanged")),
        *(("cartridge.exchanged", (name,), key) for name, key in _ENVELOPE.items()),
    ]
    for kind, path, key in fields:
        both = []
        for said in (_an_event(ground, caller) if path == ("id",) else ids[key], str(uuid4())):
            event = {**copy.deepcopy(good[kind]), "id": str(uuid4()), "device_sequence": next(cast.sequence)}
            if caller.name != "phone":
                del event["device_sequence"]
            put(event, path, said)
            headers = {KEY_HEADER: f'"{uuid4()}"'} if caller.is_program else {}
            values = (said, event["id"])
            both.append(
                Ask("POST", operation.route.path({}), values, {}, {"events": [event]}, headers=headers)
            )
        yield Probe(operation.name, "a rival's row in an event", caller, both[0], both[1], frozenset({200}))


def _an_event(ground: Ground, caller: Caller) -> str:
    """An event of a rival's, another one for each caller: an id is taken by the first who uses it."""
    known = ground.rows.ask(places.QUESTIONS["any_event_id"], operator=ground.south.cast.operator.id)
    known.remove(ground.south.ids["event_id"])
    return str(known[("owner", "phone", "program").index(caller.name)])


_ENVELOPE = {
    "id": "event_id",
    "corrects": "event_id",
    "visit": "visit_id",
    "touch": "visit_id",
    "member": "member_id",
}


def foreign_photos(ground: Ground, caller: Caller) -> Iterator[Probe]:
    """A photo whose query names a rival's row, or a rival's photo."""
    operation = next(one for one in operations() if one.name == "keep_photo")
    picture = ground.full.body(operation)
    about = {"unit": "unit_id", "site": "site_id", "event": "event_id", "visit": "visit_id", "id": "photo_id"}
    for name, key in about.items():
        both = []
        for said in (ground.south.ids[key], str(uuid4())):
            query = {
                "id": str(uuid4()),
                "unit": ground.full.ids["unit_id"],
                "taken_at": "2026-06-10T09:00:00Z",
            }
            query |= {name: said}
            if name == "site":
                query.pop("unit")
            values = (said, query["id"])
            both.append(Ask("POST", operation.route.path({}), values, query, picture, "image/jpeg"))
        yield Probe(operation.name, "a rival's row in a photo", caller, both[0], both[1], None)
