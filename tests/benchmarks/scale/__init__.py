"""What the scale's group measures; ``ONLY=scale.sweep`` runs one module of it."""

MODULES = ("sweep", "lookout")
