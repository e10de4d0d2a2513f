"""Who changed what, from where: the audit of an operator, for its owners, as a page and as a file."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from uuid import UUID

from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.utils.http import urlencode

from accounts import clock, phrases, queries, tenancy
from accounts.commands import auditing
from accounts.languages import N_, _
from accounts.models import AuditEntry
from accounts.pages.audit_acts import ACTORS, ACTS, OTHER_ACT
from accounts.pages.audit_words import COLUMNS, KINDS
from accounts.pages.door import OperatorRequest, operator_page
from accounts.permissions import Permission
from accounts.queries.audit import is_uuid
from accounts.rules import audit_file
from accounts.rules.job_words import title_of

PAGE_SIZE = 50
FILE_CHUNK = 1_000
# Those who act without being somebody of the operator's, as the filter offers them.
OTHERS = {
    "system": N_("Wickround itself"),
    "support": N_("Somebody of the service"),
    "database": N_("Somebody at the database"),
}
# By these an entry without a name of its own is known: the site or customer that it is of.
_OF = ("site_id", "customer_id", "crew_id", "user_id", "member_id")


@dataclass(frozen=True, slots=True)
class Line:
    """An entry in words."""

    entry: AuditEntry
    sentence: str
    values: list[tuple[str, str, str]]


@operator_page(Permission.AUDIT_READ)
def audit(request: OperatorRequest) -> HttpResponse:
    """The newest first; those by one actor, of one kind, of one row, or of one day."""
    asked = {name: request.GET.get(name, "").strip() for name in ("who", "kind", "row", "day")}
    before = request.GET.get("before", "")
    zone = request.operator.zone
    with tenancy.reading(request.actor):
        found = queries.audit_entries(
            before=int(before) if before.isdecimal() and len(before) < len(str(2**63)) else None,
            **_wanted(asked, zone),
        )
        entries = list(found[: PAGE_SIZE + 1])
        names = queries.audit_names(_ids(entries))
        kinds = sorted(((one, kind_words(one)) for one in queries.audit_kinds()), key=lambda one: one[1])
        actors = queries.audit_actors()
    query = urlencode({name: value for name, value in asked.items() if value})
    page = {
        "lines": [_line(one, names, zone) for one in entries[:PAGE_SIZE]],
        "older": entries[PAGE_SIZE - 1].number if len(entries) > PAGE_SIZE else None,
        "before": before,
        "asked": asked,
        "is_asked": bool(query),
        "query": query,
        "kinds": kinds,
        "actors": [*actors, *((key, _(words)) for key, words in OTHERS.items())],
    }
    return render(request, "accounts/audit.html", page)


@operator_page(Permission.AUDIT_READ, recent=True)
def audit_file_page(request: OperatorRequest) -> Any:
    """The entries that the page's filters ask for, oldest last, as CSV; that it was taken is an entry too."""
    asked = {name: request.GET.get(name, "").strip() for name in ("who", "kind", "row", "day")}
    auditing.take_file(actor=request.actor)
    response = StreamingHttpResponse(
        _records(request, _wanted(asked, request.operator.zone)), content_type="text/csv; charset=utf-8"
    )
    response["Content-Disposition"] = f'attachment; filename="audit-{request.operator.slug}.csv"'
    return response


def _records(request: OperatorRequest, wanted: Mapping[str, Any]) -> Iterator[str]:
    """A chunk is read at a time, and no scope is open while it is sent."""
    yield audit_file.record(audit_file.HEADER)
    before = None
    while True:
        with tenancy.reading(request.actor):
            entries = list(queries.audit_entries(before=before, **wanted)[:FILE_CHUNK])
        yield "".join(audit_file.record(_cells(one)) for one in entries)
        if len(entries) < FILE_CHUNK:
            return
        before = entries[-1].number


def _cells(entry: AuditEntry) -> list[object]:
    shown = {
        **{name: getattr(entry, name) for name in audit_file.HEADER},
        "at": entry.at.isoformat(),
        "about": json.dumps(entry.about, ensure_ascii=False),
        "hash": bytes(entry.hash).hex(),
    }
    return list(shown.values())


def _wanted(asked: Mapping[str, str], zone: str) -> dict[str, Any]:
    """The filters as the query takes them; what can't be read asks for nothing less."""
    wanted: dict[str, Any] = {"kind": asked["kind"], "row_id": asked["row"]}
    if asked["who"] in OTHERS:
        wanted["actor_kind"] = asked["who"]
    elif asked["who"]:
        try:
            wanted["actor_id"] = UUID(asked["who"])
        except ValueError:
            wanted["actor_kind"] = "nobody"
    try:
        day = date.fromisoformat(asked["day"])
        after = day + timedelta(days=1)
    except (ValueError, OverflowError):  # no day, or the last one that there is
        return wanted
    midnights = (datetime.combine(one, time.min, clock.zone_of(zone)) for one in (day, after))
    return wanted | dict(zip(("since", "until"), midnights, strict=True))


def kind_words(kind: str) -> str:
    return _(KINDS.get(kind, kind))


def column_words(column: str) -> str:
    return _(COLUMNS[column]) if column in COLUMNS else column.removesuffix("_id").replace("_", " ")


def _line(entry: AuditEntry, names: Mapping[str, str], zone: str) -> Line:
    about = entry.about if isinstance(entry.about, dict) else {}
    was, now = about.get("from") or {}, about.get("to") or {}
    columns = about.get("changed") or []
    who = _(ACTORS.get(entry.actor_kind, "{name}"), name=entry.actor_name or entry.actor_kind)
    said = _(
        ACTS.get(entry.action, OTHER_ACT),
        who=who,
        kind=kind_words(entry.kind),
        label=_label(entry, about | (about.get("of") or {}) | was | now, names),
        columns=", ".join(column_words(one) for one in columns),
        act=entry.action.replace("_", " "),
        row=entry.row_id,
    )
    values = [
        (column_words(one), _value(was.get(one), names, zone), _value(now.get(one), names, zone))
        for one in (was | now)
        if was.get(one) is not None or now.get(one) is not None
    ]
    sentence = " ".join(said.split()).replace(" :", ":").rstrip(": ")
    return Line(entry, sentence[:1].upper() + sentence[1:], values)


def _label(entry: AuditEntry, about: Mapping[str, Any], names: Mapping[str, str]) -> str:
    """By what people know the row: its code or number, its name, or the site or customer that it is of."""
    if about.get("job"):
        return title_of(str(about["job"]))
    own = about.get("label") or names.get(entry.row_id) or about.get("site")
    if own:
        return str(own)
    of = (names.get(str(about[one])) for one in _OF if about.get(one))
    return next((one for one in of if one), "")


def _value(value: Any, names: Mapping[str, str], zone: str) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return _("yes") if value else _("no")
    if isinstance(value, list):
        return ", ".join(_value(one, names, zone) for one in value)
    if isinstance(value, str):
        # A program's id is a small number, which a code may be too.
        if is_uuid(value):
            return names.get(value) or f"…{value[-6:]}"  # the file has all of it
        return _dated(value, zone)
    return str(value)


def _dated(text: str, zone: str) -> str:
    """Dates and instants as people write them; any other text as it is."""
    if len(text) < len("2026-01-01") or text[4:5] != "-":
        return text
    try:
        instant = datetime.fromisoformat(text)
        if "T" not in text:
            return phrases.day_year(instant.date())
        return phrases.instant(instant, zone) if instant.tzinfo else text
    except ValueError:
        return text


def _ids(entries: list[AuditEntry]) -> set[str]:
    """Ids that stand in these entries, of rows that have a name."""
    ids = {entry.row_id for entry in entries}
    for entry in entries:
        about = entry.about if isinstance(entry.about, dict) else {}
        for values in (about, *(about.get(part) or {} for part in ("of", "from", "to"))):
            ids |= {value for value in values.values() if isinstance(value, str)}
    return ids
