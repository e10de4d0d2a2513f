"""What a run of the tests made that lets somebody in, and whether any of it stands in the database or the logs afterwards.

Every credential is noted where it is made or typed: tokens, secrets, session keys, signed links, passwords, second factors, recovery
and entry codes. At the end of a run each process dumps its database (``pg_dump``, as a backup would), reads that and its log word by
word, and holds each word, and each word inside binary columns, against what was noted.
"""

from __future__ import annotations

import base64
import json
import logging
import os
import re
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from functools import wraps
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.views.decorators.debug import sensitive_variables

from config import embedded
from config.embedded.binaries import find_programs

# Short ones, such as "4711", are words all over: only what nobody writes by chance is looked for.
SHORTEST = 8
_WORD = re.compile(rb"[A-Za-z0-9_\-]{8,}")
_BINARY = re.compile(rb"\\\\x([0-9a-f]{16,})")
_AT_ONCE = 1 << 20
# Where a run writes what it made and found, for whoever started it.
REPORT = "WICKROUND_LEAKS_REPORT"
# Signed, and no way in: the contents of a session, and a file between its preview and its import.
SIGNED_ALL_THE_SAME = ("session", "Session", "import", "bank")


class Noted:
    """The credentials of a run, by what they are: the words of each, and those that are phrases as a whole."""

    def __init__(self) -> None:
        self.words: dict[bytes, str] = {}
        self.phrases: dict[bytes, str] = {}
        self.made: Counter[str] = Counter()

    def note(self, kind: str, value: str | bytes) -> None:
        said = value.encode() if isinstance(value, str) else value
        if len(said) < SHORTEST or b"@" in said:  # an address lets nobody in
            return
        self.made[kind] += 1
        if b" " in said:
            self.phrases[said] = kind
            return
        longest = max(_WORD.findall(said), key=len, default=b"")
        if longest:
            self.words[longest] = kind


def note_everything(noted: Noted) -> None:
    """Have what makes credentials tell of each; for the rest of the process."""
    import secrets

    from django.contrib.auth.hashers import Argon2PasswordHasher
    from django.contrib.auth.tokens import PasswordResetTokenGenerator
    from django.core import signing

    from accounts import sessions
    from accounts.queries import sealing
    from accounts.rules import second_factor
    from billing.rules.webhooks import sealing as webhooks

    _after(secrets, "token_urlsafe", lambda made, *_: noted.note("token", made))
    _after(
        Argon2PasswordHasher, "encode", lambda _made, _self, password, *_: noted.note("password", password)
    )
    _after(PasswordResetTokenGenerator, "make_token", lambda made, *_: noted.note("new password", made))
    _after(
        signing.Signer,
        "sign",
        lambda made, self, *_: (
            None
            if any(word in self.salt for word in SIGNED_ALL_THE_SAME)
            else noted.note("signed link", made.rsplit(self.sep, 1)[1])
        ),
    )
    _after(sessions.SessionStore, "_get_new_session_key", lambda made, *_: noted.note("session", made))
    _after(second_factor, "new_recovery_code", lambda made, *_: noted.note("recovery code", made))
    _after(webhooks, "seal", lambda _made, *named: _note_bytes(noted, "webhook secret", named[-1]))
    _after(sealing, "seal_bytes", lambda _made, *named: _note_bytes(noted, str(named[0]), named[-1]))


def _note_bytes(noted: Noted, kind: str, plain: bytes) -> None:
    """As it is, and as it is shown: Base64, Base32 or plain text."""
    for shown in (plain, base64.b64encode(plain), base64.urlsafe_b64encode(plain), base64.b32encode(plain)):
        noted.note(kind, shown)


def _after(owner: Any, name: str, tell: Callable[..., None]) -> None:
    kept = getattr(owner, name)

    # As what it wraps: a report of an error shows none of these.
    @sensitive_variables()
    @wraps(kept)
    def wrapped(*values: Any, **named: Any) -> Any:
        made = kept(*values, **named)
        tell(made, *values, *named.values())
        return made

    setattr(owner, name, wrapped)
    if not isinstance(owner, type):  # and wherever it was imported by its name
        for module in list(sys.modules.values()):
            if getattr(module, name, None) is kept:
                setattr(module, name, wrapped)


def log_to(path: Path) -> logging.Handler:
    """The log as production writes it, form and filters, to a file."""
    from logging.config import DictConfigurator

    said: dict[str, Any] = settings.LOGGING
    configured = DictConfigurator(said)
    handler = logging.FileHandler(path)
    form = said["handlers"]["stderr"]["formatter"]
    handler.setFormatter(configured.configure_formatter(dict(said["formatters"][form])))
    for name in said["handlers"]["stderr"]["filters"]:
        handler.addFilter(configured.configure_filter(dict(said["filters"][name])))
    logging.getLogger().addHandler(handler)
    return handler


def found_in(lines: Iterable[bytes], noted: Noted) -> Counter[str]:
    """How often a credential of each kind stands there, and in which table; what is in binary columns is read too."""
    found: Counter[str] = Counter()
    for table, text in _by_table(lines):
        for part in (
            text,
            *(bytes.fromhex(one.decode()) for one in _BINARY.findall(text) if len(one) % 2 == 0),
        ):
            for word in set(_WORD.findall(part)):
                kind = noted.words.get(word)
                if kind is not None:
                    found[f"{kind} in {table}"] += 1
            for phrase, kind in noted.phrases.items():
                if phrase in part:
                    found[f"{kind} in {table}"] += 1
    return found


def _by_table(lines: Iterable[bytes]) -> Iterator[tuple[str, bytes]]:
    """Many lines at once, of one table each: the rows of a dump come after the name of theirs."""
    kept: list[bytes] = []
    table, size = "the log", 0
    for line in lines:
        begins = line.startswith(b"COPY ")
        if kept and (begins or size > _AT_ONCE):
            yield table, b"".join(kept)
            kept, size = [], 0
        if begins:
            table = line.split()[1].decode()
        kept.append(line)
        size += len(line)
    yield table, b"".join(kept)


def dump_of(servers: embedded.Servers) -> Iterator[bytes]:
    """The whole database as a backup holds it, a row a line."""
    program = find_programs().psql.with_name("pg_dump")
    with subprocess.Popen([program, "--dbname", servers.superuser_url], stdout=subprocess.PIPE) as running:
        assert running.stdout is not None
        yield from running.stdout
    if running.returncode:
        raise RuntimeError(f"pg_dump ended with {running.returncode}.")


def look(config: pytest.Config, servers: embedded.Servers, log: Path, noted: Noted) -> None:
    """At the end of a test process: what of its credentials stands where it should not, for ``Told`` to tell."""
    seen = {"dump": 0}

    def counted(lines: Iterable[bytes]) -> Iterator[bytes]:
        for line in lines:
            seen["dump"] += len(line)
            yield line

    with log.open("rb") as lines:
        found = found_in(counted(dump_of(servers)), noted) + found_in(lines, noted)
    said = {"made": dict(noted.made), "found": dict(found), "dump": seen["dump"], "log": log.stat().st_size}
    told: Told = config.pluginmanager.get_plugin("leaks")  # type: ignore[assignment]
    told.add(said)


class Told:
    """Tells at the end of a run what all of its processes made and found, and has it fail for anything found."""

    def __init__(self, config: pytest.Config) -> None:
        self.config = config
        self.said: list[dict[str, Any]] = []

    def add(self, said: dict[str, Any]) -> None:
        """From this process: kept, or handed on to the one that started it."""
        output = getattr(self.config, "workeroutput", None)
        if output is None:
            self.said.append(said)
        else:
            output["leaks"] = said

    @pytest.hookimpl(optionalhook=True)
    def pytest_testnodedown(self, node: Any) -> None:
        if said := getattr(node, "workeroutput", {}).get("leaks"):
            self.said.append(said)

    @pytest.hookimpl(tryfirst=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        if any(one["found"] for one in self.said):
            session.exitstatus = pytest.ExitCode.TESTS_FAILED

    def pytest_terminal_summary(self, terminalreporter: Any) -> None:
        for line in summary(self.said):
            terminalreporter.write_line(line)
        if report := os.environ.get(REPORT):
            Path(report).write_text(json.dumps(self.said))


def summary(said: list[dict[str, Any]]) -> list[str]:
    """What was looked at, and each thing found."""
    if not said:
        return []
    made = sum((Counter(one["made"]) for one in said), Counter[str]())
    found = sum((Counter(one["found"]) for one in said), Counter[str]())
    size = sum(one["dump"] + one["log"] for one in said) / 1e6
    kinds = ", ".join(f"{count} of kind {kind}" for kind, count in sorted(made.items()))
    looked = f"credentials and entry codes: {made.total()} made ({kinds}); {found.total()} found in {size:.0f} MB of dumps and logs"
    return [looked, *(f"LEAK: {what}, {count} times" for what, count in sorted(found.items()))]
