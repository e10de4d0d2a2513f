"""What the product says and what its catalogues hold: sentences found in templates and code, and the parts they are said in.

A language's catalogue is written in parts, ``config/locale/<language>/parts/*.po``, one an area of the product, and put
together as the one file that is read at run time.
"""

from __future__ import annotations

import ast
import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import polib
from django.template import engines
from django.template.base import FilterExpression, Node, Template, Variable
from django.templatetags.i18n import BlockTranslateNode, TranslateNode

ROOT = Path(__file__).resolve().parents[2]
TEMPLATES = ROOT / "config" / "templates"
LOCALE = ROOT / "config" / "locale"
PRODUCT = ("accounts", "fleet", "servicing", "billing", "config", "demo_tenant")
HEADER = {"Content-Type": "text/plain; charset=utf-8", "Plural-Forms": "nplurals=2; plural=(n != 1);"}
# Commands speak to whoever runs the service, in English as their logs do.
SILENT = {"management", "migrations"}
# A place for a value: {name} of str.format, %(name)s of a template.
PLACES = re.compile(r"\{(\w+)[^}]*\}|%\((\w+)\)s")

Message = tuple[str, str]  # the sentence for one, and that for many or ""


@dataclass
class Compared:
    """What is wrong with a language's catalogue; all empty when it is complete."""

    missing: dict[Message, list[str]] = field(default_factory=dict)
    unused: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)


def said() -> dict[Message, list[str]]:
    """Every sentence to translate, with the files it is said in."""
    found: dict[Message, set[str]] = defaultdict(set)
    for path in sorted(TEMPLATES.rglob("*.html")) + sorted(TEMPLATES.rglob("*.txt")):
        for message in _of_template(path):
            found[message].add(path.relative_to(ROOT).as_posix())
    for folder in PRODUCT:
        for path in sorted((ROOT / folder).rglob("*.py")):
            if not SILENT & set(path.parts):
                for message in _of_code(path):
                    found[message].add(path.relative_to(ROOT).as_posix())
    return {message: sorted(places) for message, places in sorted(found.items())}


def _of_template(path: Path) -> Iterator[Message]:
    engine = engines["django"].engine  # type: ignore[attr-defined]
    template = Template(path.read_text(encoding="utf-8"), engine=engine, name=path.name)
    yield from _of_nodes(template.nodelist)


def _of_nodes(nodes: Any) -> Iterator[Message]:
    for node in nodes:
        if isinstance(node, TranslateNode):
            yield (str(node.filter_expression.var.literal), "")
        if isinstance(node, BlockTranslateNode):
            singular, _ = node.render_token_list(node.singular)
            plural = node.render_token_list(node.plural)[0] if node.plural else ""
            yield (singular, plural)
        for value in _parts(node):
            if isinstance(value, FilterExpression):
                yield from _of_expression(value)
        for inner in inside(node):
            yield from _of_nodes(inner)


def inside(node: Node) -> Iterator[Any]:
    """The lists of nodes between a tag's beginning and its end."""
    if conditions := getattr(node, "conditions_nodelists", None):
        yield from (inner for _, inner in conditions)
    else:
        yield from (inner for name in node.child_nodelists if (inner := getattr(node, name, None)))


def _parts(node: Node) -> Iterator[Any]:
    for value in vars(node).values():
        if isinstance(value, dict):
            yield from value.values()
        elif isinstance(value, list | tuple):
            yield from value
        else:
            yield value


def _of_expression(value: FilterExpression) -> Iterator[Message]:
    if isinstance(value.var, Variable) and value.var.translate:
        yield (str(value.var.literal), "")
    for used, arguments in value.filters:
        for is_variable, argument in arguments:
            if used.__name__ == "count" and not is_variable:
                yield _counted(str(argument))
            elif is_variable and getattr(argument, "translate", False):
                yield (str(argument.literal), "")


def _counted(noun: str) -> Message:
    return (f"{{count}} {noun}", f"{{count}} {noun}s")


def _of_code(path: Path) -> Iterator[Message]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.Call):
            continue
        name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
        texts = [
            one.value for one in node.args if isinstance(one, ast.Constant) and isinstance(one.value, str)
        ]
        if name in {"_", "N_", "gettext", "gettext_lazy"} and texts:
            yield (texts[0], "")
        elif name == "_n" and len(texts) > 1:
            yield (texts[0], texts[1])
        elif name == "count" and len(node.args) == 2 and len(texts) == 1 and node.args[1] is not node.args[0]:
            yield _counted(texts[0])


def parts(language: str) -> dict[str, polib.POFile]:
    return {
        path.name: polib.pofile(str(path), check_for_duplicates=True)
        for path in sorted((LOCALE / language / "parts").glob("*.po"))
    }


def together(language: str) -> polib.POFile:
    """The parts as one catalogue; a sentence that two parts hold is taken from the first."""
    whole = polib.POFile()
    whole.metadata = dict(HEADER)
    seen: set[Message] = set()
    for part in parts(language).values():
        for entry in part:
            message = (entry.msgid, entry.msgid_plural)
            if message not in seen and not entry.obsolete:
                seen.add(message)
                whole.append(entry)
    return whole


def compiled(language: str) -> Path:
    return LOCALE / language / "LC_MESSAGES" / "django.mo"


def put_together(language: str) -> bytes:
    """What the file that is read at run time holds."""
    return together(language).to_binary()


def compared(language: str) -> Compared:
    wanted, found = said(), Compared()
    held: dict[Message, str] = {}
    for name, part in parts(language).items():
        for entry in part:
            message = (entry.msgid, entry.msgid_plural)
            text = "\n".join(
                [entry.msgstr, *(entry.msgstr_plural[key] for key in sorted(entry.msgstr_plural))]
            )
            if held.setdefault(message, text) != text:
                found.wrong.append(f"{name}: said otherwise in another part: {entry.msgid}")
            if message not in wanted:
                found.unused.append(f"{name}: {entry.msgid}")
            found.wrong += [f"{name}: {what}: {entry.msgid}" for what in _faults(entry)]
    found.missing = {message: places for message, places in wanted.items() if message not in held}
    return found


def _faults(entry: Any) -> Iterator[str]:
    texts = list(entry.msgstr_plural.values()) if entry.msgid_plural else [entry.msgstr]
    if "fuzzy" in entry.flags:
        yield "not sure"
    if not all(text.strip() for text in texts) or (entry.msgid_plural and len(texts) != 2):
        yield "not translated"
    wanted = _places(entry.msgid) | _places(entry.msgid_plural)
    for number, text in enumerate(texts):
        # Of one thing alone a sentence need not say the number, where the English does not.
        needed = (_places(entry.msgid) if number == 0 else wanted) - {"count", "counter"}
        if _places(text) - wanted or needed - _places(text):
            yield f"names {sorted(_places(text))}, not {sorted(wanted)}"
        if (
            text[:1].isspace() != entry.msgid[:1].isspace()
            or text[-1:].isspace() != entry.msgid[-1:].isspace()
        ):
            yield "begins or ends with another space"


def _places(text: str) -> set[str]:
    return {one or other for one, other in PLACES.findall(text)}
