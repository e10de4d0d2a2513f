"""The whole OpenAPI document: what no single view knows. Components of all, webhooks, names, and values kept exact."""

from __future__ import annotations

import re
from typing import Any

from django.conf import settings

from config.schema import credentials, headers, problems, webhooks
from config.schema.naming import TAGS

DESCRIPTION = """\
Everything that an operator's pages show and do, for programs.

**For a program of the accounts.** Follow `GET /api/v1/accounting/changes`: every customer, document, journal entry and
payment, in the order it was committed, from a token that you keep. Webhooks only say that there is something to read. Write
back with `POST /api/v1/payments` and its neighbours; each takes an `Idempotency-Key`.

**Money** is a decimal in a string with the currency's own number of places (ISO 4217); never a float. **Days** are dates,
**instants** are RFC 3339 with their offset. Names say which: `_on`, `_at`. `until` and `to` are included, `before` is not.

**No** is a problem document (RFC 9457), `application/problem+json`, of a closed list of types.

**Lists** are pages: `next` is the `after` of the next one, null on the last.

**Quotas** are told by `RateLimit` and `RateLimit-Policy` with every answer; 429 and 503 say by `Retry-After` when to come again.
"""
_OWN_MARKS = ("x-spec-enum-id",)
_REFERENCE = "#/components/schemas/"


def complete(result: dict[str, Any], generator: Any, request: Any, public: bool) -> dict[str, Any]:  # noqa: FBT001
    """Put together what the views said and what all of them share."""
    result["info"]["description"] = DESCRIPTION
    result["servers"] = [{"url": settings.PUBLIC_URL or "/"}]
    result["tags"] = [{"name": name, "description": words} for name, words in TAGS.items()]
    result["webhooks"] = webhooks.section()
    components = result.setdefault("components", {})
    schemas = components.setdefault("schemas", {})
    schemas |= {"Problem": problems.SCHEMA, "ProblemEntry": problems.ENTRY, **webhooks.SCHEMAS}
    components["responses"] = problems.responses()
    components["headers"] = headers.HEADERS
    components["parameters"] = headers.PARAMETERS
    components["securitySchemes"] = credentials.SCHEMES
    _tighten(schemas)
    return _renamed(result)


def _tighten(node: Any) -> None:
    """Make the decimals' patterns refuse an empty string, and drop what only the generator's own hooks read."""
    if isinstance(node, dict):
        if node.get("format") == "decimal" and "pattern" in node:
            node["pattern"] = node["pattern"].replace(r"\d{0,", r"\d{1,")
        for name in _OWN_MARKS:
            node.pop(name, None)
        for inner in node.values():
            _tighten(inner)
    elif isinstance(node, list):
        for inner in node:
            _tighten(inner)


# Components by the names that a client's author wants to write


def _renamed(result: dict[str, Any]) -> dict[str, Any]:
    """The document with components called by what they are: ``Payment``, ``PaymentSent``, ``PaymentPage``."""
    schemas = result["components"]["schemas"]
    names: dict[str, str] = {}
    for name in schemas:
        wanted = _name(name)
        taken = wanted in names.values() or (wanted != name and wanted in schemas)
        names[name] = name if taken else wanted
    result["components"]["schemas"] = {
        names[name]: schemas[name] for name in sorted(schemas, key=names.__getitem__)
    }
    return _repointed(result, {_REFERENCE + old: _REFERENCE + new for old, new in names.items()})


def _name(name: str) -> str:
    page = re.fullmatch(r"Paginated(\w+?)(?:Shown)?List", name)
    if page:
        return f"{page[1]}Page"
    name = re.sub(r"(Sent(?:OneOrMany)?)Request$", r"\1", name)
    return re.sub(r"Shown(OneOrMany)?$", lambda found: found[1] or "", name)


def _repointed(node: Any, names: dict[str, str]) -> Any:
    if isinstance(node, dict):
        return {
            key: names.get(value, value) if key == "$ref" else _repointed(value, names)
            for key, value in node.items()
        }
    if isinstance(node, list):
        return [_repointed(inner, names) for inner in node]
    return names.get(node, node) if isinstance(node, str) and node.startswith(_REFERENCE) else node
