"""What the demo prints for a person: who can sign in, and what was found."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from accounts.commands.clients import make_secret
from demo_tenant import queries
from demo_tenant.beats import bad_lot_of
from demo_tenant.filing import draw_master_data
from demo_tenant.models import World
from demo_tenant.operators import OPERATORS
from demo_tenant.presets import PRESETS, span_of
from demo_tenant.setting import Setting

PASSWORD = "drip-by-drip-all-month"  # noqa: S105 - of invented people, on this machine only


def sign_ins() -> str:
    """The sign-ins, one operator a line; all share one password."""
    boxes = ("owner", "dispatcher", "bookkeeper", "crew1", "viewer", "network")
    lines = [f"Sign in with the password {PASSWORD} as one of"]
    lines += ["  " + "  ".join(f"{box}@{plan.slug}.example" for box in boxes) for plan in OPERATORS]
    return "\n".join(lines)


def sights(world: World) -> str:
    """Addresses of pages that show what happens in this world and in few others, one a line."""
    preset = PRESETS[world.preset]
    settings = [Setting(plan, preset, span_of(preset, world.as_of), world.seed) for plan in OPERATORS]
    lines = ["Worth a look"]
    for setting in settings:
        slug = setting.plan.slug
        if setting.plan.bad_lot_in:
            lines.append(
                f"  /{slug}/lots/{bad_lot_of(setting)}  a recall: where a bad lot of cartridges is now"
            )
        if setting.plan.bleach:
            site = next(site for site in draw_master_data(setting).sites if site.uses_bleach)
            lines.append(
                f"  /{slug}/sites/{site.code}  bleach found below: no acid went up until it was gone"
            )
    lines += [
        f"  {path}  what the customer of {site} reads, without signing in"
        for site, path in queries.record_links()
    ]
    return "\n".join(lines)


def program() -> str:
    """For each operator's program its client id and a new secret; the one before ends, since nobody kept it."""
    lines = ["A program of the accounts signs in (docs/api.md says how) with one of"]
    for actor, slug, client_uuid in queries.let_in():
        client, secret = make_secret(actor=actor, client_uuid=client_uuid, overlap="none")
        lines.append(f"  {slug}  CLIENT_ID={client.client_id}  CLIENT_SECRET={secret}")
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
