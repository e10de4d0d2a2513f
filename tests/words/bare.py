"""Text that nobody can translate: words in a template outside its translation tags, and sentences put together in code."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from django.template import engines
from django.template.base import Template, TextNode

from tests.words.catalogue import ROOT, TEMPLATES, inside

# What a person reads of a tag: its inner text and these of its attributes.
READ = re.compile(r"\b(?:aria-label|placeholder|alt|content|title)=\"([^\"{]*)\"")
TAG = re.compile(r"<[^>]*>|&[a-z]+;|&#\d+;|<!--.*?-->", re.DOTALL)
META = re.compile(r"<(?:meta|link|script|style|html|!doctype)[^>]*>", re.IGNORECASE)
WORD = re.compile(r"[^\W\d_]{2,}")
# Names and units that are the same in every language.
SAME = {
    "wickround",
    "ml",
    "fl",
    "oz",
    "km",
    "mg",
    "csv",
    "pdf",
    "xml",
    "json",
    "ubl",
    "iban",
    "bic",
    "qr",
    "sds",
    "iso",
    "id",
}

REFUSALS = {"BadInput", "Conflict", "NotFound", "Forbidden", "TooLarge", "Busy", "TooMany", "Gone", "Refusal"}
FIELD_WORDS = {"label", "help_text", "empty_label"}
SPOKEN = ("commands", "pages", "queries", "rules", "permissions.py", "phrases.py")
APPS = ("accounts", "fleet", "servicing", "billing")


def in_templates() -> list[str]:
    """Each as "path: words"."""
    return [
        f"{path.relative_to(ROOT).as_posix()}: {words}"
        for path in sorted(TEMPLATES.rglob("*.html"))
        for words in in_source(path.read_text(encoding="utf-8"))
    ]


def in_source(source: str) -> Iterator[str]:
    """The bare words of a template, piece by piece."""
    engine = engines["django"].engine  # type: ignore[attr-defined]
    # Tags may be cut by template tags: their text is put together before it is read.
    yield from _read("".join(_texts(Template(source, engine=engine).nodelist)))


def _texts(nodes: Any) -> Iterator[str]:
    for node in nodes:
        if isinstance(node, TextNode):
            yield node.s
        else:
            yield "\x1f"
        for inner in inside(node):
            yield from _texts(inner)


def _read(text: str) -> Iterator[str]:
    text = META.sub(" ", text)
    shown = [*READ.findall(text), *TAG.sub("\x1f", text).split("\x1f")]
    for piece in shown:
        words = [word for word in WORD.findall(piece) if word.casefold() not in SAME]
        if words:
            yield " ".join(piece.split())


def in_code() -> list[str]:
    """Each as "path:line: source"."""
    return [
        f"{path.relative_to(ROOT).as_posix()}:{found}"
        for path in _spoken()
        for found in in_module(path.read_text(encoding="utf-8"))
    ]


def in_module(source: str) -> list[str]:
    """The bare sentences of a module, each as "line: source"."""
    return [
        f"{one.lineno}: {ast.unparse(one)[:100]}"
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Call)
        for one in _sentences(node)
    ]


def _spoken() -> Iterator[Path]:
    for app in APPS:
        for path in sorted((ROOT / app).rglob("*.py")):
            parts = path.relative_to(ROOT / app).parts
            if parts[0].removesuffix(".py") in {name.removesuffix(".py") for name in SPOKEN}:
                yield path


def _sentences(call: ast.Call) -> Iterator[ast.expr]:
    """Arguments that are words of a person's language and not passed through ``_``."""
    name = call.func.id if isinstance(call.func, ast.Name) else getattr(call.func, "attr", "")
    if name in REFUSALS:
        yield from (one for one in call.args[:1] if _is_bare(one))
    if name == "Problem":
        yield from (one for one in call.args[2:3] if _is_bare(one))
    for keyword in call.keywords:
        if keyword.arg in FIELD_WORDS and _is_bare(keyword.value):
            yield keyword.value
    if name == "add_error":
        yield from (one for one in call.args[1:2] if _is_bare(one))


def _is_bare(value: ast.expr) -> bool:
    if isinstance(value, ast.Constant):
        return isinstance(value.value, str) and bool(WORD.search(value.value))
    if isinstance(value, ast.JoinedStr):
        return any(isinstance(part, ast.Constant) and WORD.search(str(part.value)) for part in value.values)
    return False
