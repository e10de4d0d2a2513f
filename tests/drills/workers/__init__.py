"""The workers' drills, one module each and in this order; ``ONLY=workers.poison`` runs one of them."""

MODULES = (
    "poison",
    "neighbour",
    "flush",
    "clocks",
    "restoring",
    "redis",
    "migrating",
    "faults",
    "chaos",
    "soak",
)
# Its servers are its own, for it ends them too.
PURE: tuple[str, ...] = ("chaos",)
