"""What the scale's group measures; ``ONLY=scale.sweep`` runs one module of it."""

MODULES = ("sweep", "lookout")
# As docs/operations.md wants it of a server with so many units.
SETTINGS = {"shared_buffers": "2GB", "max_wal_size": "8GB"}
