"""What a program depends on in the description, without its words and examples: addresses, names, members, types, statuses."""

from __future__ import annotations

import hashlib
import json
from typing import Any

_TYPES = (
    "type",
    "format",
    "enum",
    "pattern",
    "$ref",
    "maxLength",
    "minLength",
    "minimum",
    "maximum",
    "items",
    "oneOf",
    "allOf",
    "additionalProperties",
)


def summary_of(document: dict[str, Any]) -> dict[str, Any]:
    """Operations and webhooks by name, and components by theirs."""
    operations = {
        one["operationId"]: _operation(f"{method.upper()} {path}", one)
        for path, item in document["paths"].items()
        for method, one in item.items()
    }
    told = {name: _operation(name, item["post"]) for name, item in document["webhooks"].items()}
    components = {name: _members(one) for name, one in document["components"]["schemas"].items()}
    return {"operations": operations, "webhooks": told, "components": components}


def digest_of(summary: dict[str, Any]) -> str:
    """Twelve hex digits of its SHA-256; the order of members plays no part."""
    return hashlib.sha256(json.dumps(summary, sort_keys=True).encode()).hexdigest()[:12]


def differences(before: Any, after: Any, where: str = "") -> list[str]:
    """Each place in which two summaries differ, by its name, with what was and what is."""
    if isinstance(before, dict) and isinstance(after, dict):
        return [
            line
            for name in sorted(before.keys() | after.keys())
            for line in differences(before.get(name), after.get(name), f"{where}/{name}")
        ]
    return [] if before == after else [f"{where}: {before} -> {after}"]


def _operation(address: str, one: dict[str, Any]) -> dict[str, Any]:
    body = one.get("requestBody", {}).get("content", {})
    return {
        "address": address,
        "scopes": sorted(scope for way in one.get("security", []) for scope in way.get("program", [])),
        "takes": {_name(row): _parameter(row) for row in one.get("parameters", [])},
        "sends": {media: _type(content["schema"]) for media, content in body.items()},
        "answers": {
            status: {media: _type(content["schema"]) for media, content in answer.get("content", {}).items()}
            for status, answer in one["responses"].items()
        },
    }


def _name(parameter: dict[str, Any]) -> str:
    return parameter.get("name") or parameter["$ref"].rsplit("/", 1)[-1]


def _parameter(parameter: dict[str, Any]) -> str:
    if "$ref" in parameter:
        return "shared"
    needed = "needed" if parameter.get("required") else "free"
    return f"{parameter['in']} {needed} {_type(parameter['schema'])}"


def _members(schema: dict[str, Any]) -> Any:
    if "properties" not in schema:
        return _type(schema)
    required = set(schema.get("required", ()))
    return {
        name: f"{'always' if name in required else 'maybe'} {_type(one)}"
        for name, one in schema["properties"].items()
    }


def _type(schema: Any) -> str:
    """A type in one line, such as ``{"format": "uuid", "type": "string"}``."""
    kept = {name: schema[name] for name in _TYPES if name in schema} if isinstance(schema, dict) else schema
    return json.dumps(_plain(kept), sort_keys=True)


def _plain(node: Any) -> Any:
    if isinstance(node, dict):
        return {
            name: _plain(inner)
            for name, inner in node.items()
            if name not in {"description", "example", "examples", "title"}
        }
    return [_plain(inner) for inner in node] if isinstance(node, list) else node
