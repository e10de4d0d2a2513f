"""The one write the demo makes by itself: which world a trial database holds. All else goes through public commands."""

from __future__ import annotations

from datetime import date, datetime

from demo_tenant.models import World


def store_world(
    *,
    preset: str,
    seed: str,
    as_of: date,
    digest: str,
    events: int,
    seconds: float,
    ends_at: datetime,
    played_at: datetime,
) -> World:
    """Written as the owner: the product's own role only reads it."""
    world = World(
        preset=preset,
        seed=seed,
        as_of=as_of,
        digest=digest,
        events=events,
        seconds=seconds,
        ends_at=ends_at,
        played_at=played_at,
    )
    world.save(using="migrate", force_insert=True)
    return world
