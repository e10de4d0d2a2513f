"""What the pages' group measures; ``ONLY=pages.lookout`` runs its one module."""

MODULES = ("lookout",)
