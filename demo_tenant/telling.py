"""What the demo prints for a person: who can sign in, and what was found."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from demo_tenant.models import World
from demo_tenant.operators import OPERATORS

PASSWORD = "drip-by-drip-all-month"  # noqa: S105 - of invented people, on this machine only


def sign_ins() -> str:
    """The sign-ins, one operator a line; all share one password."""
    boxes = ("owner", "dispatcher", "bookkeeper", "crew1", "viewer")
    lines = [f"Sign in with the password {PASSWORD} as one of"]
    lines += ["  " + "  ".join(f"{box}@{plan.slug}.example" for box in boxes) for plan in OPERATORS]
    return "\n".join(lines)


def summary(world: World, found: list[dict[str, Any]]) -> str:
    """A short table of what the lookout and the month's end show for each operator."""
    head = f"The {world.preset} world, seed {world.seed}, as of {world.as_of:%a} {world.as_of.day} {world.as_of:%b %Y}: "
    head += f"{world.events:,} events played in {world.seconds:.0f} s"
    lines = [head, f"Digest {world.digest}", ""]
    for one in found:
        lines += [
            f"{one['name']} (/{one['slug']}/)",
            f"  {one['sites']:,} sites, {one['units']:,} units, {one['events']:,} events",
            f"  {one['due']:,} due, {one['past_grace']:,} past grace, {one['dry_soon']:,} dry soon",
            f"  {one['wick_watch']:,} on wick watch, {one['reports']:,} open reports, {one['findings']:,} findings",
            f"  {one['invoices']:,} invoices for {one['currency']} {Decimal(one['invoiced']):,.2f}",
        ]
    return "\n".join(lines)
