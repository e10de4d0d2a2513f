"""Which world a database holds, its digest, and what is found in it: reads of the other apps' queries."""

from __future__ import annotations

import json
from collections import Counter
from datetime import date
from decimal import Decimal
from hashlib import sha256
from typing import Any
from uuid import UUID

import psycopg

from accounts import queries as accounts
from accounts import tenancy
from accounts.permissions import Actor, system_actor
from billing.queries import documents
from demo_tenant.models import World
from servicing.queries import events, fleet_state, links


def get_world() -> World | None:
    """The world this database holds; None when no play has been finished in it."""
    return World.objects.first()


def digest() -> str:
    """SHA-256, in hex, over events, unit states and invoices of every operator, each in its canonical order.

    Of an event only its content hash and when it was received; no position, no time of recording: the digest depends
    on seed, preset and last day alone.
    """
    whole = sha256()
    for operator_id in accounts.operator_ids():
        with tenancy.reading(system_actor(operator_id)):
            whole.update(operator_id.bytes)
            for content_hash, received_at in events.canonical_content():
                whole.update(content_hash + received_at.isoformat().encode())
            for state in fleet_state.unit_states():
                whole.update(
                    _canonical([state.unit_id, state.site_id, state.station_id, state.status, state.history])
                )
            for invoice in documents.invoices_in_order():
                whole.update(f"{invoice.number} {invoice.document_sha256}".encode())
    return whole.hexdigest()


def found() -> list[dict[str, Any]]:
    """For each operator what the lookout and the month's end show: counts, and what was invoiced, as plain values."""
    return [_found_at(operator_id) for operator_id in accounts.operator_ids()]


def _found_at(operator_id: Any) -> dict[str, Any]:
    with tenancy.reading(system_actor(operator_id)):
        operator = accounts.get_operator()
        open_now = Counter(fleet_state.open_alerts().values_list("kind", flat=True))
        totals = list(documents.invoices().values_list("total", flat=True))
        return {
            "name": operator.name,
            "slug": operator.slug,
            "sites": accounts.sites().count(),
            "units": fleet_state.unit_states().exclude(status__in=("printed", "withdrawn")).count(),
            "events": len(events.canonical_content()),
            "due": open_now["due"],
            "past_grace": open_now["past_grace"],
            "wick_watch": open_now["wick_watch"],
            "dry_soon": open_now["dry_soon"],
            "reports": fleet_state.reports().count(),
            "findings": fleet_state.findings().count(),
            "invoices": len(totals),
            "invoiced": str(sum(totals, Decimal(0)).quantize(Decimal(1).scaleb(-operator.minor_units))),
            "currency": operator.currency,
        }


def record_links() -> list[tuple[str, str]]:
    """For each operator one link by which a customer reads a site's service record: the site's name and the path."""
    return [one for operator_id in accounts.operator_ids() if (one := _record_link_at(operator_id))]


def _record_link_at(operator_id: Any) -> tuple[str, str] | None:
    with tenancy.reading(system_actor(operator_id)):
        for site in accounts.sites():
            if (link := links.open_site_link(site.id)) is not None:
                return site.name, links.path_of(links.token_of(link.id))
    return None


def let_in() -> list[tuple[Actor, str, UUID]]:
    """For each operator who may act for it here, its address, and the program that is let in."""
    return [one for operator_id in accounts.operator_ids() if (one := _program_at(operator_id))]


def _program_at(operator_id: UUID) -> tuple[Actor, str, UUID] | None:
    actor = system_actor(operator_id)
    with tenancy.reading(actor):
        found = accounts.programs().filter(revoked_at=None).first()
        return None if found is None else (actor, accounts.get_operator().slug, found.uuid)


def _canonical(value: Any) -> bytes:
    return json.dumps(value, default=str, sort_keys=True, separators=(",", ":")).encode()


def held_world(url: str) -> tuple[str, str, date] | None:
    """Preset, seed and last day of the world in the database at this address; None without a finished one."""
    with psycopg.connect(url) as connection:
        if connection.execute("SELECT to_regclass('demo_tenant_world')").fetchone() == (None,):
            return None
        return connection.execute("SELECT preset, seed, as_of FROM demo_tenant_world").fetchone()
