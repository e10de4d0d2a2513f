"""The product's words: none that promises what a liquid must not promise, and all of them in each language."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import pytest

from accounts.languages import Manner, _, speaking
from tests.words import bare, catalogue

ROOT = catalogue.ROOT

# Such claims need an authorisation that nobody here has; the product never makes them.
CLAIMS = re.compile(
    r"disinfect|saniti[sz]|antibacter|antimicrob|\bkills?\b|\bgerms?\b|\bsterili[sz]|"
    r"desinfi|antibakt|antimikrob|keimfrei|keimtöt|abtöt|steril\b",
    re.IGNORECASE,
)
TEXTS = {
    ".py",
    ".html",
    ".po",
    ".typ",
    ".md",
    ".js",
    ".css",
    ".txt",
    ".sql",
    ".toml",
    ".svg",
    ".yml",
    ".json",
}


def texts() -> list[Path]:
    folders = [*catalogue.PRODUCT, "tests", "docs"]
    found = itertools.chain(ROOT.glob("*"), *((ROOT / folder).rglob("*") for folder in folders))
    return sorted(path for path in found if path.suffix in TEXTS and path != Path(__file__).resolve())


@pytest.mark.parametrize(
    "claim",
    [
        "It disinfects.",
        "kills germs",
        "antibacterial",
        "Sanitiser",
        "sterilized",
        "Desinfiziert",
        "wirkt keimtötend",
    ],
)
def test_the_check_of_claims_finds_one(claim):
    assert CLAIMS.search(claim)


def test_nothing_claims_what_the_liquids_may_not_claim():
    # os.kill, SIGKILL and the like end processes.
    found = [
        f"{path.relative_to(ROOT).as_posix()}:{number}: {line.strip()}"
        for path in texts()
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if CLAIMS.search(re.sub(r"os\.kill\w*|\.kill\(|\bkill -|kills its worker", "", line))
    ]

    assert found == []


def test_what_is_read_at_run_time_is_what_the_parts_say():
    assert catalogue.compiled("de").read_bytes() == catalogue.put_together("de")


def test_every_sentence_is_said_in_german():
    found = catalogue.compared("de")

    assert found.missing == {}
    assert found.wrong == []
    assert found.unused == []


def test_no_text_on_a_page_escapes_the_catalogues():
    assert bare.in_templates() == []


def test_no_sentence_in_the_code_escapes_the_catalogues():
    assert bare.in_code() == []


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ("<p>Two words</p>", ["Two words"]),
        ('<p>{% translate "Two words" %} {{ one }}: 5 mL</p>', []),
        ('<a title="To the site" href="#">{{ one }}</a>', ["To the site"]),
        ("<p>{% if one %}Yes, it is{% endif %}</p>", ["Yes, it is"]),
    ],
)
def test_bare_text_is_found_in_a_template(source: str, found: list[str]):
    assert list(bare.in_source("{% load i18n %}" + source)) == found


def test_a_sentence_put_together_in_code_is_found():
    assert bare.in_module('raise Conflict(f"The site {name} is closed.")') != []
    assert bare.in_module('raise Conflict(_("The site {name} is closed.", name=name))') == []
    assert bare.in_module('Problem("/name", "taken", "This name is taken.")') != []


def test_a_language_without_a_catalogue_speaks_english():
    with speaking(Manner("de-AT")):
        assert _("Sites") == "Standorte"
    with speaking(Manner("fr-FR")):
        assert _("Sites") == "Sites"
    assert _("Sites") == "Sites"
