"""Nobody in where they don't belong, one module each; ``ONLY=isolation.probing`` runs one. Those in ``PURE`` need no server."""

MODULES: tuple[str, ...] = ("mutants", "probing", "guessing", "leaving", "audit", "leaks", "flooding")
PURE: tuple[str, ...] = ("leaks",)
