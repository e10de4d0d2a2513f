"""What the documents say is there: commands, variables, files, names, links; and README's examples work as printed."""

from __future__ import annotations

import importlib
import json
import re
import shlex
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from django.core.management import call_command, get_commands, load_command_class
from django.test import Client
from django.urls import resolve

from accounts import clock, queries
from accounts.permissions import Role
from servicing.commands.envelopes import ENVELOPE
from servicing.commands.uploads import REASONS, upload_events
from tests.cast import PASSWORD, Cast

ROOT = Path(__file__).resolve().parent.parent
README = ROOT / "README.md"
DEVELOPERS = ROOT / "DEVELOPERS.md"
DOCUMENTS = [README, DEVELOPERS, *sorted((ROOT / "docs").rglob("*.md"))]

PACKAGES = "accounts|fleet|servicing|billing|config|demo_tenant|tests"
VARIABLE = re.compile(r"\b(?:DATABASE_\w*URL|REDIS_URL|WICKROUND_[A-Z_]+)\b")
# Read by the settings, and for people who work on the product only.
UNTOLD_VARIABLES = {"WICKROUND_DEBUG"}


def blocks(language: str, document: Path = README) -> list[str]:
    """The code blocks of one language, in order."""
    return re.findall(rf"^```{language}\n(.*?)^```$", document.read_text(), re.MULTILINE | re.DOTALL)


def command_lines() -> list[list[str]]:
    """README's shell commands, each as its words; a comment is none of them."""
    text = "\n".join(blocks("sh"))
    joined = re.sub(r"\\\n", " ", text)
    return [shlex.split(line, comments=True) for line in _whole_lines(joined) if line.strip()]


def _whole_lines(text: str) -> list[str]:
    """Lines, a quoted text over several lines kept in one."""
    return re.findall(r"(?:[^'\n]|'[^']*')+", text)


def the_curl_example() -> dict[str, Any]:
    """Address, headers and body of the one curl command."""
    (words,) = [words for words in command_lines() if words[0] == "curl"]
    headers = dict(words[n + 1].split(": ", 1) for n, word in enumerate(words) if word == "-H")
    return {"address": words[1], "headers": headers, "body": json.loads(words[words.index("--data") + 1])}


def adapted(events: list[dict[str, Any]], cast: Cast) -> list[dict[str, Any]]:
    """The example's events about the cast's own unit, cartridge and site."""
    own = {"unit": cast.unit.id, "cartridge_id": cast.cartridge.id, "site_id": cast.site.id}
    return [
        {
            **event,
            "subject": {
                **event["subject"],
                "id": str(own.get(event["subject"]["kind"], event["subject"]["id"])),
            },
            "payload": {
                name: str(own[name]) if name in own else value for name, value in event["payload"].items()
            },
        }
        for event in events
    ]


# Commands


def test_every_make_target_exists():
    makefile = (ROOT / "Makefile").read_text()
    targets = set(re.findall(r"^(\w+):", makefile, re.MULTILINE))
    variables = set(re.findall(r"\$\((\w+)\)", makefile))
    inline = [
        shlex.split(one) for path in DOCUMENTS for one in re.findall(r"`(make [^`]+)`", path.read_text())
    ]
    words = [word for line in (*command_lines(), *inline) if line[0] == "make" for word in line[1:]]

    named = {word for word in words if "=" not in word}
    assigned = {word.split("=")[0] for word in words if "=" in word}

    assert {"demo", "test"} <= named
    assert named - targets == set()
    assert assigned - variables == set()


def test_every_management_command_exists():
    named = {name for path in DOCUMENTS for name in re.findall(r"manage\.py ([a-z_]+)", path.read_text())}

    assert {"demo", "rebuild", "audit_isolation", "migrate", "open_operator"} <= named
    assert named - get_commands().keys() == set()


@pytest.mark.parametrize("words", [words for words in command_lines() if "manage.py" in words], ids=" ".join)
def test_every_option_of_a_management_command_is_known(words):
    name, *options = words[words.index("manage.py") + 1 :]
    app = get_commands()[name]
    command = load_command_class(app, name) if isinstance(app, str) else app

    command.create_parser("manage.py", name).parse_args(options)


def test_every_container_command_names_a_service():
    lines = [words for words in command_lines() if words[:2] == ["docker", "compose"]]
    services = re.findall(r"^  ([a-z-]+):$", (ROOT / "docker-compose.yml").read_text(), re.MULTILINE)

    ran = [words[words.index("python") - 1] for words in lines if "python" in words]

    assert ran == ["web"]
    assert set(ran) <= set(services)


# Variables


def test_every_variable_is_read_and_every_variable_read_is_told():
    read_by_config = {
        name
        for path in (ROOT / "config").rglob("*")
        if path.suffix in {".py", ".sql"}
        for name in VARIABLE.findall(path.read_text())
    }
    told = set(VARIABLE.findall(README.read_text()))
    by_settings = set(re.findall(r'"([A-Z_]+)"', (ROOT / "config" / "settings.py").read_text()))

    assert told - read_by_config == set()
    assert {name for name in by_settings if VARIABLE.fullmatch(name)} - told == UNTOLD_VARIABLES


# Files, names, links


def test_every_relative_link_leads_somewhere():
    links = [
        (path, target)
        for path in DOCUMENTS
        for target in re.findall(r"\]\(([^)#\s]+)[^)]*\)", path.read_text())
        if not target.startswith(("http:", "https:"))
    ]

    assert len(links) >= 3
    assert [(path.name, target) for path, target in links if not (path.parent / target).exists()] == []


def test_every_file_named_exists():
    spans = [one for path in DOCUMENTS for one in re.findall(r"`([^`\s]+)`", path.read_text())]
    files = {one for one in spans if re.fullmatch(rf"(?:{PACKAGES})/[\w/.]+", one)}

    assert len(files) > 30
    assert sorted(one for one in files if not (ROOT / one).exists()) == []


def found_by_name(dotted: str) -> bool:
    """Whether a dotted name is a module, or something in one."""
    parts = dotted.split(".")
    for end in range(len(parts), 0, -1):
        try:
            found: Any = importlib.import_module(".".join(parts[:end]))
        except ModuleNotFoundError:
            continue
        for part in parts[end:]:
            found = getattr(found, part, None)
        return found is not None
    return False


def test_every_dotted_name_is_there():
    spans = [one for path in DOCUMENTS for one in re.findall(r"`([\w.]+)[^`]*`", path.read_text())]
    names = {one for one in spans if re.match(rf"(?:{PACKAGES})\.(?!py\b)\w", one)}

    assert len(names) > 5
    assert not found_by_name("servicing.log.no_such_name")
    assert sorted(one for one in names if not found_by_name(one)) == []


def test_every_function_and_constant_of_a_recipe_is_in_the_code():
    recipes = DEVELOPERS.read_text().split("## Recipes")[1].split("## Migrations")[0]
    named = {
        one
        for one in re.findall(r"`(_?[A-Za-z]+(?:_[A-Za-z]+)*)`", recipes)
        if re.search(r"[_A-Z]", one) and one != "N"
    }
    code = "\n".join(
        path.read_text()
        for package in PACKAGES.split("|")
        if package != "tests"
        for path in (ROOT / package).rglob("*.py")
    )
    defined = set(re.findall(r"(?:def|class) (\w+)|^\s*(\w+)(?::[^=\n]+)? = ", code, re.MULTILINE))
    known = {name for pair in defined for name in pair if name}

    assert len(named) > 25
    assert sorted(named - known - {"operator_id", "CompositePrimaryKey"}) == []  # a column, and Django's


def test_the_developers_document_stays_readable():
    assert len(DEVELOPERS.read_text().splitlines()) <= 400


# README's examples


def test_the_upload_is_accepted_as_printed_and_the_second_time_a_duplicate(north):
    sent = adapted(the_curl_example()["body"]["events"], north)
    clock.set_to(datetime.fromisoformat(sent[-1]["occurred_at"]) + timedelta(hours=1))
    installed = north.installed(at=datetime.fromisoformat(sent[0]["occurred_at"]) - timedelta(days=30))
    installed["device_sequence"] = 1_000
    north.upload(installed)

    first = upload_events(actor=north.crew_phone, events=sent)
    again = upload_events(actor=north.crew_phone, events=sent)

    assert [fate.fate for fate in first] == ["accepted", "accepted"]
    assert [(fate.fate, fate.position) for fate in again] == [("duplicate", fate.position) for fate in first]
    assert {name for event in sent for name in event} <= ENVELOPE


def test_the_curl_command_reaches_the_door_it_names(north):
    example = the_curl_example()
    path = "/" + example["address"].split("/", 3)[3]
    token = example["headers"]["Authorization"].replace("$TOKEN", north.phone_token)
    body = {**example["body"], "events": adapted(example["body"]["events"], north)}

    answer = Client(headers={"authorization": token}).post(
        path, json.dumps(body), content_type=example["headers"]["Content-Type"], secure=True
    )
    without = Client().post(path, json.dumps(body), content_type="application/json", secure=True)

    assert resolve(path).url_name == "api-service-events"
    assert answer.status_code == 200
    assert [fate["fate"] for fate in answer.json()["fates"]] == ["accepted", "accepted"]
    assert without.status_code == 401


def test_every_answer_and_reason_of_the_table_is_one_that_is_given(north):
    text = README.read_text()
    kept, other = north.installed(), north.exchanged(north.units[1])
    north.upload(kept)
    fates = north.upload(
        kept,
        {**kept, "payload": {**kept["payload"], "charge_ml": 1}},
        {**other, "device_sequence": kept["device_sequence"]},
        north.event("level.read", uuid4()),
        {**north.exchanged(), "type": "unit.painted"},
        {**north.exchanged(), "subject": {"kind": "unit", "id": str(uuid4())}},
        north.exchanged(),
    )

    assert {fate.fate for fate in fates} == {"accepted", "duplicate", "conflict", "refused"}
    assert [fate.fate for fate in fates if f"`{fate.fate}`" not in text] == []
    codes = {fate.code for fate in fates if fate.fate == "refused"}
    assert {"sequence-taken", "unknown-subject", "unknown-type"} <= codes
    assert {"sequence-taken", "unknown-subject"} <= REASONS.keys()


def test_the_first_operator_is_opened_by_the_command_printed(database, monkeypatch):
    (words,) = [words for words in command_lines() if "open_operator" in words]
    slug = f"north-bank-{uuid4().hex[:8]}"
    arguments = [one.replace("north-bank", slug) for one in words[words.index("open_operator") :]]
    monkeypatch.setenv("WICKROUND_OWNER_PASSWORD", PASSWORD)

    call_command(*arguments)

    owner = queries.get_user_by_email(arguments[arguments.index("--owner-email") + 1])
    assert owner is not None
    assert [(one.slug, one.role) for one in queries.memberships_of(owner.id)] == [(slug, Role.OWNER)]


def test_every_address_of_the_api_that_is_named_takes_what_is_said():
    told = README.read_text().split("in this\norder")[1].split("(prints labels)")[0] + "`price-items`"
    paths = [one.removeprefix("/api/v1/") for one in re.findall(r"`([a-z/\d-]+)`", told)]

    assert len(paths) == 10
    assert [
        path for path in paths if "POST" not in resolve(f"/api/v1/{path}").func.view_class.permissions
    ] == []
