"""Which role does what: the runtime roles never change the schema; the owner migrates and swaps what is rebuilt."""

from __future__ import annotations

from typing import Any


class RoleRouter:
    def allow_migrate(self, db: str, app_label: str, **hints: Any) -> bool:
        return db == "migrate"

    def allow_relation(self, obj1: Any, obj2: Any, **hints: Any) -> bool:
        # All aliases are one database under several roles.
        return True
