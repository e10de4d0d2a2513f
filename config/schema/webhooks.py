"""The webhooks section: what is sent to an endpoint, signed by Standard Webhooks 1.0.0."""

from __future__ import annotations

from typing import Any

KINDS = ("customer", "invoice", "credit_note", "opening", "journal_entry", "payment", "refund")
_ID = "019ed2a5-0c00-7000-8000-000000000001"
_AT = "2026-06-15T12:00:00Z"

SCHEMAS: dict[str, Any] = {
    "ChangeTold": {
        "type": "object",
        "description": "A thing was made, changed or removed. It is thin on purpose: read the thing, or follow the feed.",
        "required": ["type", "timestamp", "data"],
        "properties": {
            "type": {
                "type": "string",
                "enum": [f"{kind}.{what}" for kind in KINDS for what in ("changed", "gone")],
            },
            "timestamp": {"type": "string", "format": "date-time", "description": "When it changed."},
            "data": {"$ref": "#/components/schemas/ChangeToldData"},
        },
    },
    "ChangeToldData": {
        "type": "object",
        "required": ["kind", "id", "version", "gone", "feed_token", "sequence"],
        "properties": {
            "kind": {"type": "string", "enum": list(KINDS)},
            "id": {"type": "string", "format": "uuid"},
            "version": {
                "type": "integer",
                "minimum": 1,
                "description": "It goes up with each change of the thing.",
            },
            "gone": {"type": "boolean", "description": "Whether the thing was removed."},
            "feed_token": {
                "type": "string",
                "description": "The feed's token of this change: `after` it comes what is newer.",
            },
            "sequence": {
                "type": "integer",
                "minimum": 1,
                "description": "Of this endpoint's messages; one that is missing was not received yet.",
            },
        },
    },
    "ChangesTold": {
        "type": "object",
        "description": "More changed than is told one by one: follow the feed.",
        "required": ["type", "timestamp", "data"],
        "properties": {
            "type": {"type": "string", "enum": ["changes.available"]},
            "timestamp": {"type": "string", "format": "date-time"},
            "data": {"$ref": "#/components/schemas/ChangesToldData"},
        },
    },
    "ChangesToldData": {
        "type": "object",
        "required": ["count", "feed_token", "sequence"],
        "properties": {
            "count": {"type": "integer", "minimum": 1, "description": "How many things changed."},
            "feed_token": {"type": "string", "description": "Read the feed `after` this token."},
            "sequence": {"type": "integer", "minimum": 1},
        },
    },
    "TestTold": {
        "type": "object",
        "description": "Sent when somebody tries an endpoint out.",
        "required": ["type", "timestamp", "data"],
        "properties": {
            "type": {"type": "string", "enum": ["endpoint.test"]},
            "timestamp": {"type": "string", "format": "date-time"},
            "data": {"$ref": "#/components/schemas/TestToldData"},
        },
    },
    "TestToldData": {
        "type": "object",
        "required": ["feed_token", "sequence"],
        "properties": {
            "feed_token": {"type": "string", "description": "Where the feed stands."},
            "sequence": {"type": "integer", "minimum": 1},
        },
    },
}
_HEADERS = (
    (
        "webhook-id",
        "The message's own name, the same at each try: drop what you had before.",
        "msg_019ed2a50c007000",
    ),
    (
        "webhook-timestamp",
        "When this try was signed, in seconds since 1970; refuse what is older than five minutes.",
        "1781524800",
    ),
    (
        "webhook-signature",
        "HMAC-SHA256 over `{webhook-id}.{webhook-timestamp}.{body}` as `v1,<base64>`; several while a secret is changed.",
        "v1,K5oZfzN95Z9UVu1EsfQmfVNQhnkZ2pj9o9NDN/H/pI4=",
    ),
)


def section() -> dict[str, Any]:
    """The messages by type."""
    found = {
        f"{kind}.{what}": _webhook(f"{kind}.{what}", "ChangeTold", _change(kind, gone=what == "gone"))
        for kind in KINDS
        for what in ("changed", "gone")
    }
    several = {"count": 240, "feed_token": "AQAAAAAAAAABAAAAAAAAAGQ", "sequence": 8}
    tried = {"feed_token": "AQAAAAAAAAABAAAAAAAAAGQ", "sequence": 9}
    return {
        **found,
        "changes.available": _webhook("changes.available", "ChangesTold", several),
        "endpoint.test": _webhook("endpoint.test", "TestTold", tried),
    }


def _change(kind: str, *, gone: bool) -> dict[str, Any]:
    return {
        "kind": kind,
        "id": _ID,
        "version": 2 if gone else 1,
        "gone": gone,
        "feed_token": "AQAAAAAAAAABAAAAAAAAACo",
        "sequence": 7,
    }


def _webhook(kind: str, schema: str, data: dict[str, Any]) -> dict[str, Any]:
    body = {
        "schema": {"$ref": f"#/components/schemas/{schema}"},
        "example": {"type": kind, "timestamp": _AT, "data": data},
    }
    return {
        "post": {
            "operationId": "told_" + kind.replace(".", "_"),
            "summary": kind,
            "description": SCHEMAS[schema]["description"],
            "tags": ["webhooks"],
            "security": [],
            "parameters": [
                {
                    "name": name,
                    "in": "header",
                    "required": True,
                    "description": words,
                    "schema": {"type": "string"},
                    "example": example,
                }
                for name, words, example in _HEADERS
            ],
            "requestBody": {"required": True, "content": {"application/json": body}},
            "responses": {
                "2XX": {"description": "It was taken. Answer at once, and read the feed afterwards."},
                "410": {
                    "description": "This endpoint is no more: nothing is sent to it again until it is started."
                },
                "429": {"description": "Later: after `Retry-After`, by a day at most."},
            },
        }
    }
