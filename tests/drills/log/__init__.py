"""The log's drills, one module each and in this order; ``ONLY=log.following`` runs one of them."""

MODULES = ("following", "feeding", "permuting", "tampering", "restoring")
