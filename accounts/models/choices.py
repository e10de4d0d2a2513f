"""The words that columns may hold."""

from __future__ import annotations

from accounts.permissions import Role


def choices(*words: str) -> list[tuple[str, str]]:
    return [(word, word.replace("_", " ")) for word in words]


ROLES = choices(*Role)
SITE_KINDS = choices(
    "arena", "beach", "clinic", "hotel", "office", "plant", "restaurant", "retail", "school", "transit"
)
# How much dust and grease the air carries, which dirties reservoirs; a person's judgement of the place.
DUST = choices("low", "normal", "high")
# In which units volumes, lengths and hardness read on pages; what is stored is always metric.
MEASURES = choices("metric", "us")
