"""The accounting feed's drills, one module each; ``ONLY=feed.racing`` runs one of them. Those in ``PURE`` need no server."""

MODULES = ("racing", "signing", "reaching", "receivers", "following", "fuzzing")
PURE: tuple[str, ...] = ("reaching", "receivers")
