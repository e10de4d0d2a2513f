"""``make words``: puts the catalogues together; says what they lack. ``--missing FILE...`` prints the entries to write
for files, ``--bare FILE...`` the text in them that nobody can translate."""

from __future__ import annotations

import os
import sys

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
django.setup()

from tests.words import bare, catalogue  # noqa: E402 - needs Django


def main(arguments: list[str]) -> int:
    found = catalogue.compared("de")
    if arguments[:1] == ["--missing"]:
        for (one, many), places in found.missing.items():
            if len(arguments) == 1 or any(place.startswith(tuple(arguments[1:])) for place in places):
                entry = catalogue.polib.POEntry(msgid=one, msgid_plural=many, comment=" ".join(places))
                entry.msgstr_plural = {0: "", 1: ""} if many else {}
                print(entry)
        return 0
    if arguments[:1] == ["--bare"]:
        found_bare = [
            line
            for line in [*bare.in_templates(), *bare.in_code()]
            if line.startswith(tuple(arguments[1:] or [""]))
        ]
        print("\n".join(found_bare))
        return int(bool(found_bare))
    catalogue.compiled("de").parent.mkdir(parents=True, exist_ok=True)
    catalogue.compiled("de").write_bytes(catalogue.put_together("de"))
    for line in [*found.wrong, *(f"unused: {one}" for one in found.unused)]:
        print(line)
    print(f"{len(found.missing)} sentences are not translated.")
    return int(bool(found.missing or found.wrong or found.unused))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
