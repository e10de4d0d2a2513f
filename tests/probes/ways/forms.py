"""What pages send: each field of each form and each link of one's own pages, with a rival's row in the place of one's own.

The pages themselves say which fields name a row: those whose value, or one of whose choices, is one of one's own rows.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from html.parser import HTMLParser
from urllib.parse import parse_qsl, urljoin, urlsplit

from django.urls import resolve

from tests.probes.asking import FORM, Ask, Probe
from tests.probes.ground import Caller, Ground, nobody_has
from tests.probes.routes import Route, all_routes
from tests.probes.ways.addresses import values_in

OK = 200
# Names no row that is changed: where one is sent afterwards.
ONLY_WHERE_TO_GO = {"next"}
REFUSED = frozenset({400, 403, 404, 409, 422})
LISTED = frozenset({200, 302, 400, 404, 422})


@dataclass
class Form:
    """A form of a page: where it goes, and the values that it would send as it stands."""

    action: str
    method: str
    values: dict[str, str] = field(default_factory=dict)
    choices: dict[str, list[str]] = field(default_factory=dict)


class _Reader(HTMLParser):
    """Finds the forms and the links of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.forms: list[Form] = []
        self.links: list[str] = []
        self._select = self._area = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        said = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.forms.append(Form(said.get("action", ""), said.get("method", "get").upper()))
        elif tag == "a" and "href" in said:
            self.links.append(said["href"])
        elif self.forms and tag in {"input", "select", "textarea", "option", "button"}:
            self._field(tag, said)

    def _field(self, tag: str, said: Mapping[str, str]) -> None:
        form, name = self.forms[-1], said.get("name", "")
        if tag == "select":
            self._select = name
        elif tag == "option" and self._select:
            value = said.get("value", "")
            form.choices.setdefault(self._select, []).append(value)
            if "selected" in said or self._select not in form.values:
                form.values[self._select] = value
        elif tag == "textarea" and name:
            form.values.setdefault(name, "")
        elif tag == "input" and name and said.get("type") != "file":
            is_chosen = said.get("type") not in {"radio", "checkbox"} or "checked" in said
            form.choices.setdefault(name, []).append(said.get("value", "on"))
            if is_chosen:
                form.values[name] = said.get("value", "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "select":
            self._select = ""


class Counterparts:
    """For each of one's own ids and codes one of the rival's of the same table and column."""

    def __init__(self, ground: Ground) -> None:
        self._map: dict[str, str] = {}
        for question in (*_QUESTIONS, *map(_IDS.format, ground.rows.with_ids())):
            own, theirs = (
                ground.rows.ask(question, operator=one.cast.operator.id)
                for one in (ground.pages, ground.whole)
            )
            theirs = [one for one in theirs if one not in own]
            if theirs:
                self._map |= dict.fromkeys(own, theirs[0])
        # A number of the database's own is on every page.
        self._map = {own: other for own, other in self._map.items() if not own.isdigit()}

    def of(self, value: str) -> tuple[str, str] | None:
        """The rival's, and nobody's; also of a value that holds one beside other words, such as ``site:<id>``."""
        own = value if value in self._map else next((one for one in _parts(value) if one in self._map), None)
        if own is None:
            return None
        theirs = self._map[own]
        return value.replace(own, theirs), value.replace(own, nobody_has(theirs))


def _parts(value: str) -> list[str]:
    return [one for one in value.replace("/", " ").replace(":", " ").replace(",", " ").split() if one]


_CODES = (
    ("accounts_site", "code"),
    ("accounts_customer", "code"),
    ("fleet_unit", "code"),
    ("billing_document", "number"),
    ("billing_contract", "number"),
)
_QUESTIONS = (
    *(
        f"SELECT {column} FROM {table} WHERE operator_id = %(operator)s ORDER BY 1"
        for table, column in _CODES
    ),
    "SELECT event_id::text FROM servicing_event WHERE operator_id = %(operator)s ORDER BY position",
    "SELECT person_id::text FROM servicing_personkey WHERE operator_id = %(operator)s ORDER BY 1",
)
_IDS = "SELECT id::text FROM {} WHERE operator_id = %(operator)s ORDER BY id"


@dataclass(frozen=True)
class Said:
    """A value of a form or a link that names one of one's own rows, and the rival's of the same kind."""

    route: str
    method: str
    path: str
    values: Mapping[str, str]
    name: str
    theirs: str
    nobodys: str


def said_on_pages(ground: Ground) -> list[Said]:
    """Each field and each query of one's own pages that names a row, once for each address and name.

    What the forms would send is kept in ``ground.forms``, by the page that takes it.
    """
    counterparts = Counterparts(ground)
    found: dict[tuple[str, str, str], Said] = {}
    for route in all_routes():
        if not route.is_of_an_operator or "GET" not in route.permissions:
            continue
        for said in _on_a_page(ground, route, counterparts):
            found.setdefault((said.method, _blank(said.path, counterparts), said.name), said)
    return list(found.values())


def _on_a_page(ground: Ground, route: Route, counterparts: Counterparts) -> Iterator[Said]:
    own = values_in(route, ground.pages)
    if own is None:
        return
    here = route.path(own)
    answer = ground.pages.visitor.client.get(here)
    if answer.status_code != OK or "html" not in answer.headers.get("Content-Type", ""):
        return
    reader = _Reader()
    reader.feed(answer.content.decode())
    yield from _in_forms(ground, route, here, reader.forms, counterparts)
    for link in reader.links:
        split = urlsplit(urljoin(here, link))
        values = dict(parse_qsl(split.query))
        for name, value in values.items():
            if split.path.startswith(f"/{ground.pages.slug}/") and (theirs := counterparts.of(value)):
                yield Said(route.name, "GET", split.path, values, name, *theirs)


def _in_forms(
    ground: Ground, route: Route, here: str, found: list[Form], counterparts: Counterparts
) -> Iterator[Said]:
    for form in found:
        path = urljoin(here, form.action)
        values = {name: value for name, value in form.values.items() if name != "csrfmiddlewaretoken"}
        if form.method == "POST":
            ground.forms.setdefault(_taker(path), values)
        for name, choices in form.choices.items():
            theirs = next((other for one in choices if (other := counterparts.of(one))), None)
            if theirs is not None and name not in ONLY_WHERE_TO_GO:
                yield Said(route.name, form.method, path, values, name, *theirs)


def _taker(path: str) -> str:
    """The name of the page that takes what is sent to a path."""
    return str(resolve(urlsplit(path).path).url_name)


def _blank(path: str, counterparts: Counterparts) -> str:
    """A path without which of one's own rows it is about."""
    return "/".join("*" if counterparts.of(one) else one for one in path.split("/"))


def foreign_fields(ground: Ground, said: Said) -> Iterator[Probe]:
    """The form as it stands but for one field, which names a rival's row."""
    both = []
    for value in (said.theirs, said.nobodys):
        values = {**said.values, said.name: value}
        both.append(
            Ask("POST", said.path, (value,), body=values, kind=FORM)
            if said.method == "POST"
            else Ask("GET", said.path, (value,), query=values, kind=FORM)
        )
    way, wanted = (
        ("a rival's row in a form", REFUSED)
        if said.method == "POST"
        else ("a rival's row in a query", LISTED)
    )
    yield Probe(said.route, way, _asker(ground), both[0], both[1], wanted)


def _asker(ground: Ground) -> Caller:
    return ground.pages.visitor
