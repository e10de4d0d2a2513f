"""Everything of an operator as one file: all of it, nobody else's, nothing that lets anybody in, and nothing that changed."""

from __future__ import annotations

import hashlib
import io
import json
import stat
import zipfile
from datetime import UTC, datetime
from threading import Thread

import pytest
from django.core.management import CommandError, call_command
from lxml import etree
from PIL import Image

from accounts import clock
from accounts.commands import customers
from accounts.errors import Conflict, Forbidden
from accounts.permissions import Role, system_actor
from accounts.queries import everything
from config.exporting import archive, cells, dictionary, left_out, write_everything
from config.exporting.reading_back import faults, manifest_of, missing
from servicing.commands.entries import set_code
from tests.browser.whole_world import whole_world
from tests.cast import NOON, new_cast
from tests.config.written import Opened, columns_of, root_of, sealed, tables_of_operators, written
from tests.servicing.quoting import SAID, WHO, reported

FORMULA = '=HYPERLINK("https://elsewhere.example";"Open")'
QUOTED = '\'twas "quiet", they\r\nsaid'
CODE = "4711-raven-key"


@pytest.fixture(scope="module")
def full(database):
    """An operator with something of everything, made once and only read from."""
    clock.set_to(NOON)
    cast = new_cast("north")
    world = whole_world(cast)
    reported(cast)
    set_code(actor=cast.dispatcher, site_id=cast.site.id, label="Key box", code=CODE)
    for number, name in enumerate((FORMULA, QUOTED, "@sum", "+49 30", "-1", "\ttab", "''", "plain")):
        customers.add_customers(
            actor=cast.owner, customers=[{"code": f"F{number}", "name": name, "country": "DE"}]
        )
    sealed(cast)
    found = written(cast.owner)
    clock.set_to(None)
    return cast, world, found


@pytest.fixture
def cast(full):
    return full[0]


@pytest.fixture
def opened(full):
    return full[2]


def test_every_table_of_an_operator_is_in_it_or_left_out_with_a_reason(opened, cast, superuser):
    rows = {one["name"]: one.get("rows") for one in opened.manifest["files"]}
    filled = 0
    for table, column in tables_of_operators(superuser).items():
        if table in left_out.TABLES:
            assert f"tables/{table}.csv" not in rows
            continue
        sql = f'SELECT count(*) FROM "{table}" WHERE "{column}" = %s'
        there = superuser.execute(sql, [cast.operator.id]).fetchone()[0]
        assert rows[f"tables/{table}.csv"] == there == len(opened.rows(f"tables/{table}.csv")), table
        filled += there > 0
    assert filled > 50
    assert all(len(reason) > 20 for reason in (*left_out.TABLES.values(), *left_out.COLUMNS.values()))


def test_every_column_is_in_it_or_left_out_with_a_reason(opened, superuser):
    tables = tables_of_operators(superuser).keys() - left_out.TABLES.keys()
    columns = {(table, column) for table, column in columns_of(superuser) if table in tables}
    there = {
        (table, column)
        for table in tables
        for column in opened.read(f"tables/{table}.csv").decode().partition("\r\n")[0].split(",")
    }

    assert columns - there == left_out.COLUMNS.keys()


def test_what_is_left_out_is_there_to_be_left_out(superuser):
    assert left_out.COLUMNS.keys() <= columns_of(superuser)
    assert left_out.TABLES.keys() <= tables_of_operators(superuser).keys()


def test_every_value_is_the_one_of_the_database(opened, cast, superuser):
    there = superuser.execute(
        "SELECT code, name, coalesce(country, '') FROM accounts_customer WHERE operator_id = %s",
        [cast.operator.id],
    ).fetchall()
    found = [
        (row["code"], row["name"], row["country"]) for row in opened.rows("tables/accounts_customer.csv")
    ]

    plain = [(code, _without_guard(name), country) for code, name, country in found]
    assert sorted(plain) == sorted(there)
    # No spreadsheet takes a text of it for a formula.
    known = {one.name: {c.name: c.is_text for c in one.columns} for one in everything.tables()}
    texts = [
        value
        for name in opened.names
        if name.endswith(".csv")
        for row in opened.rows(name)
        for column, value in row.items()
        if _is_text(known, name, column)
    ]
    assert [text for text in texts if text.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))] == []
    assert f"'{FORMULA}" in texts


def _without_guard(text):
    return text.removeprefix("'")


def _is_text(known, name, column):
    table = name.removeprefix("tables/").removesuffix(".csv")
    return known.get(table, {}).get(column, table == name)


def test_no_value_and_an_empty_text_are_told_apart():
    said = cells.record([None, "", "a,b", 'say "so"', "=1", "'=1", "x"], [True] * 7)

    assert said == ',"","a,b","say ""so""",\'=1,\'\'=1,x\r\n'
    assert cells.record(["-1.5", "=1"], [False, False]) == "-1.5,=1\r\n"


def test_nothing_of_a_rival_is_in_it(cast, south):
    south.upload(south.installed())
    reported(south, "Rival Person", "rival words")

    whole = written(cast.owner).everything()

    tags = [south.operator.slug, "Rival Person", "rival words", south.phone_token]
    ids = [south.operator.id, south.site.id, south.customer.id, *(one.id for one in south.units)]
    assert [one for one in (*tags, *map(str, ids)) if str(one).encode() in whole] == []


def test_no_secret_is_in_it(opened, cast, superuser):
    whole = opened.everything()
    digests = superuser.execute(
        "SELECT encode(digest, 'hex') FROM accounts_accesstoken WHERE operator_id = %(o)s "
        "UNION ALL SELECT encode(digest, 'hex') FROM accounts_clientsecret WHERE operator_id = %(o)s "
        "UNION ALL SELECT encode(digest, 'hex') FROM servicing_recordlink WHERE operator_id = %(o)s "
        "UNION ALL SELECT encode(sealed, 'hex') FROM servicing_entrysecret WHERE operator_id = %(o)s "
        "UNION ALL SELECT encode(secret, 'hex') FROM billing_webhookendpoint WHERE operator_id = %(o)s "
        "UNION ALL SELECT encode(wrapped_key, 'hex') FROM servicing_personkey WHERE operator_id = %(o)s",
        {"o": cast.operator.id},
    ).fetchall()

    kept = [one for (one,) in digests if one]
    assert len(kept) >= 7
    assert [one for one in kept if one.encode() in whole] == []
    assert b"argon2" not in whole
    assert CODE.encode() not in whole
    assert cast.phone_token.encode() not in whole


def test_the_log_can_be_checked_against_its_seals_without_the_product(opened, cast, superuser):
    """By RFC 9162 section 2.1.1 written down anew here, over the lines of the file as they are."""
    lines = opened.lines("log/events.jsonl")
    positions = [json.loads(line)["position"] for line in lines]
    seals = [json.loads(line) for line in opened.lines("log/seals.jsonl")]

    there = superuser.execute(
        "SELECT count(*) FROM servicing_event WHERE operator_id = %s", [cast.operator.id]
    ).fetchone()
    assert (len(lines), positions) == (there[0], sorted(positions))
    assert sum(one["count"] for one in seals) == len(lines)
    for one in seals:
        block = [
            hashlib.sha256(b"\x00" + line).digest()
            for line, position in zip(lines, positions, strict=True)
            if one["first_position"] <= position <= one["last_position"]
        ]
        assert root_of(block).hex() == one["root"]


def test_documents_are_as_they_were_issued(opened):
    rows = {row["id"]: row for row in opened.rows("tables/billing_document.csv")}
    issued = {key: row for key, row in rows.items() if row["kind"] != "opening"}
    files = {name for name in opened.names if name.startswith("documents/")}

    assert len(issued) >= 2
    for key, row in issued.items():
        (name,) = (one for one in files if one.endswith(f"{key}.json"))
        assert hashlib.sha256(opened.read(name)).hexdigest() == row["document_sha256"]
    electronic = [name for name in files if name.endswith(".xml")]
    assert len(electronic) >= 2
    # OASIS UBL 2.1: the names of its two documents.
    roots = {etree.fromstring(opened.read(name)).tag.rpartition("}")[2] for name in electronic}
    assert roots <= {"Invoice", "CreditNote"}


def test_pictures_sheets_and_what_was_said_are_files_of_it(full):
    _cast, world, opened = full
    photo = Image.open(io.BytesIO(opened.read(f"photos/{world.photo}.jpg")))
    sheets = [name for name in opened.names if name.startswith("safety-sheets/")]
    said = [(row["state"], row["who"], row["said"]) for row in opened.rows("texts/people.csv")]

    assert photo.format == "JPEG"
    assert [opened.read(name)[:5] for name in sheets] == [b"%PDF-"] * len(sheets) != []
    assert ("readable", WHO, SAID) in said


def test_the_dictionary_explains_every_column_that_is_there(opened):
    told = {(row["table"], row["column"]): row for row in opened.rows("data-dictionary.csv")}
    tables = [name for name in opened.names if name.startswith("tables/") and name != "tables/people.csv"]
    there = {
        (name[len("tables/") : -len(".csv")], column)
        for name in tables
        for column in opened.read(name).decode().partition("\r\n")[0].split(",")
    }

    assert told.keys() == there
    assert [key for key, row in told.items() if not row["what_it_says"] or not row["what_a_row_is"]] == []
    site = told["servicing_photo", "site_id"]
    assert (site["what_it_says"], site["type"]) == ("the id of a row of accounts_site", "uuid")
    assert dictionary.TABLES.keys() <= {table for table, _column in told}


def test_people_are_those_who_work_for_it(opened, cast):
    found = {row["email"] for row in opened.rows("tables/people.csv")}

    assert found == {user.email for user in cast.users.values()}


def test_it_is_one_moment(north):
    """What is stored while it is being written is not in it, in no table."""

    def meanwhile():
        thread = Thread(target=_add, args=(north,))
        thread.start()
        thread.join()

    out = io.BytesIO()
    manifest = write_everything(north.owner, out, meanwhile)
    opened = Opened(out.getvalue())

    assert [row["code"] for row in opened.rows("tables/accounts_customer.csv")] == ["C1"]
    assert missing(north.owner, manifest) != []
    assert missing(north.owner, written(north.owner).manifest) == []


def _add(cast):
    from django.db import connections

    customers.add_customers(actor=cast.owner, customers=[{"code": "LATE", "name": "Late", "country": "DE"}])
    connections.close_all()


def test_two_at_once_are_refused_and_another_operator_is_not(north, south):
    refused, done = [], []

    def meanwhile():
        thread = Thread(target=_try_both)
        thread.start()
        thread.join()

    def _try_both():
        from django.db import connections

        for cast in (north, south):
            try:
                done.append(write_everything(cast.owner, io.BytesIO()))
            except Conflict as conflict:
                refused.append(conflict.detail)
        connections.close_all()

    write_everything(north.owner, io.BytesIO(), meanwhile)

    assert ["being written out" in one for one in refused] == [True]
    assert [one["operator"]["slug"] for one in done] == [south.operator.slug]


@pytest.mark.parametrize("role", [role for role in Role if role is not Role.OWNER])
def test_only_an_owner_takes_it_along(north, role):
    with pytest.raises(Forbidden):
        write_everything(north.actors[role], io.BytesIO())


@pytest.mark.parametrize(
    "name", ["../x", "/etc/passwd", "a//b", "a/../b", "C:\\x", "a\\b", "", ".hidden", "a/", "ä", "a\0b"]
)
def test_no_file_of_it_is_unpacked_anywhere_else(name):
    out = archive.Archive(io.BytesIO(), datetime(2026, 6, 15, tzinfo=UTC))

    with pytest.raises(ValueError, match="no name"), out.file(name):
        pass


def test_a_number_of_a_document_becomes_a_part_of_a_name():
    found = [archive.safe(text) for text in ("INV/2026/1", "../../etc/passwd", "..", "Nr. 7 ü", "x" * 500)]

    assert found == ["INV-2026-1", "etc-passwd", "unnamed", "Nr.-7", "x" * 80]


def test_its_names_are_safe_and_its_files_are_for_the_owner_alone(opened):
    assert len(opened.names) == len(set(opened.names))
    assert [name for name in opened.names if name.startswith("/") or ".." in name or "\\" in name] == []
    assert {stat.S_IMODE(one.external_attr >> 16) for one in opened.zip.infolist()} == {0o600}
    assert opened.zip.testzip() is None


# The command


def test_the_command_writes_a_file_that_is_whole_and_noted(north, tmp_path, capsys, superuser):
    path = tmp_path / "north.zip"
    # Of somebody who would read along.
    (tmp_path / "north.zip.part").touch(mode=0o644)

    call_command("export_operator", north.operator.slug, to=path)

    said = capsys.readouterr().out
    assert hashlib.sha256(path.read_bytes()).hexdigest() in said
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [one.name for one in tmp_path.iterdir()] == ["north.zip"]
    assert faults(path) == []
    noted = superuser.execute(
        "SELECT action, door FROM accounts_auditentry WHERE operator_id = %s ORDER BY number DESC LIMIT 1",
        [north.operator.id],
    ).fetchone()
    assert noted == ("exported", "command export_operator")
    with pytest.raises(CommandError, match="there already"):
        call_command("export_operator", north.operator.slug, to=path)
    with pytest.raises(CommandError, match="no operator"):
        call_command("export_operator", "nobody-here", to=tmp_path / "other.zip")


def test_a_file_that_was_changed_is_found_out(north, tmp_path):
    path = tmp_path / "north.zip"
    call_command("export_operator", north.operator.slug, to=path)
    manifest = manifest_of(path)

    other = tmp_path / "other.zip"
    with zipfile.ZipFile(path) as before, zipfile.ZipFile(other, "w") as after:
        for name in before.namelist():
            content = before.read(name)
            after.writestr(
                name, content.replace(b"Quay", b"Quey") if name.endswith("customer.csv") else content
            )
    assert faults(other) == ["tables/accounts_customer.csv is not as the manifest says."]

    with zipfile.ZipFile(path) as before, zipfile.ZipFile(other, "w") as after:
        for name in before.namelist()[1:]:
            after.writestr(name, before.read(name))
    assert faults(other) == ["Its files are not those that the manifest names."]

    other.write_bytes(path.read_bytes()[:-200])
    with pytest.raises(ValueError, match="can't be read"):
        faults(other)

    short = {
        **manifest,
        "files": [one for one in manifest["files"] if "accounts_site.csv" not in one["name"]],
    }
    assert missing(system_actor(north.operator.id), short) == ["accounts_site has 1 rows, the archive 0."]
