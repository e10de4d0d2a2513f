"""An operator with something of everything, so that no page is looked at while it is empty."""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from uuid import UUID

import typst
from PIL import Image

from accounts.commands import clients, contacts, work
from accounts.ids import uuid7
from accounts.permissions import Role
from billing.commands import contracts, month_jobs, payments, previewing, royalty
from billing.commands.bank_files import BankFile, import_bank_file
from billing.commands.contracts import NewContract, NewContractSite
from billing.commands.crediting import credit_document
from billing.commands.payments import NewPayment
from billing.commands.royalty import Basis, Tier
from billing.commands.terms import NewTerms
from billing.queries import closes, settling
from billing.queries import contracts as contract_queries
from billing.queries.bank.entries import waiting
from fleet.commands import add_safety_sheet
from servicing.commands import entries, links, office, photos, planning
from servicing.commands.sweeps import sweep
from servicing.events.types import Subject
from servicing.queries import events as log
from servicing.queries import personal
from tests.api.callers import failed, looked_at
from tests.billing import hooks
from tests.billing.bank.files import Entry, Said, camt
from tests.billing.books import APRIL, MAY, close, list_prices, on
from tests.cast import NOON, Cast
from tests.pages.sellers import sell_with_vat


@dataclass(frozen=True, slots=True)
class World:
    """The names that addresses need."""

    cast: Cast
    invoice: str
    charge: str
    payment: str
    event: str
    plan: str
    photo: str
    site_token: str
    customer_token: str
    restroom_token: str
    restroom: str
    contact: str
    contract_site: str
    standstill: str
    person: str
    credit_note: str
    program: str
    endpoint: str
    delivery: str
    statement: str
    entry: str
    look: str
    failed: str
    work: str


def sold(cast: Cast) -> Cast:
    """April and May closed with VAT under a contract, and June looked at."""
    sell_with_vat(cast)
    list_prices(cast)
    contracts.add_contract(
        actor=cast.actors[Role.BOOKKEEPER],
        new=NewContract(
            number=f"{cast.mark}K-1",
            customer_id=cast.customer.id,
            starts_on=APRIL,
            sites=[NewContractSite(cast.site.id)],
            terms=NewTerms(visit_minimum=Decimal(38), install_waived=True, claw_back_months=12),
        ),
    )
    cast.upload(cast.installed(at=on(4, 1)), cast.event("wick.changed", cast.unit, on(4, 14), reason="age"))
    close(cast, APRIL)
    close(cast, MAY, at=datetime(2026, 6, 3, 9, tzinfo=UTC))
    _state_royalty(cast)
    previewing.preview_month(actor=cast.actors[Role.BOOKKEEPER], month=date(2026, 6, 1))
    return cast


def _state_royalty(cast: Cast) -> None:
    actor = cast.actors[Role.BOOKKEEPER]
    royalty.set_royalty_terms(
        actor=actor,
        effective_from=APRIL,
        network_name="The network",
        basis=Basis.BILLED,
        tiers=[Tier(None, Decimal(5))],
    )
    for month in (APRIL, MAY):
        royalty.state_month(actor=actor, month=month)


def whole_world(cast: Cast) -> World:
    sold(cast)
    found = World(
        cast=cast,
        **_worked(cast),
        **_planned(cast),
        **_billed(cast),
        **_shared(cast),
        **_connected(cast),
        **_banked(cast),
        **_asked(cast),
    )
    entries.set_code(actor=cast.dispatcher, site_id=cast.site.id, label="Key box", code="18 then 40 then 7")
    sweep(actor=cast.dispatcher)
    return found


def _asked(cast: Cast) -> dict[str, str]:
    """A try-out that was left to a worker, and cancelled: one that waits would have its pages look again and again.

    Beside it a file of rows that was looked at, and a job that failed for good.
    """
    keeper = cast.actors[Role.BOOKKEEPER]
    asked = month_jobs.owe_preview(actor=keeper, month=date(2026, 6, 1))
    cancelled = work.cancel(actor=keeper, work_id=asked.id)
    return {"work": str(cancelled.id), "look": str(looked_at(cast)), "failed": str(failed(cast)[0])}


def _worked(cast: Cast) -> dict[str, str]:
    """A visit with a fault and its photo, and what the school's front desk reported."""
    visit, at = uuid7(on(5, 28)), on(5, 28)
    fault = cast.event("fault.found", cast.units[1], at, mode="ELU", detection="visit_check", visit=visit)
    made = {"site_id": cast.site.id, "crew_id": cast.crew.id, "outcome": "served", "minutes": 25}
    cast.upload(
        cast.installed(cast.units[1], at=on(4, 20), station=1),
        cast.exchanged(at=at, visit=visit),
        fault,
        cast.event("visit.made", visit, at, **made),
    )
    photo = uuid7(at)
    photos.add_photo(
        actor=cast.crew_phone,
        id=photo,
        content=_picture(),
        unit_id=cast.units[1].id,
        event_id=UUID(fault["id"]),
        taken_at=at,
    )
    office.receive_report(
        actor=cast.dispatcher,
        about=Subject.SITE,
        subject_id=cast.site.id,
        kind="leak",
        who="Front desk",
        said="A puddle below the second one.",
    )
    with cast.reading():
        event = log.unit_events(cast.unit.id)[0].event_id
        person = personal.people()[0].person_id
    return {"event": str(event), "photo": str(photo), "person": str(person)}


def _planned(cast: Cast) -> dict[str, str]:
    """The next visit, a note for it, somebody to tell, and a pause in the summer."""
    actor, site_id, today = cast.dispatcher, cast.site.id, NOON.date()
    plan = planning.plan_visit(actor=actor, site_id=site_id, day=today, crew_id=cast.crew.id)
    planning.write_note(actor=actor, site_id=site_id, text="Ring half an hour before.")
    contact = contacts.add_contact(
        actor=actor, site_id=site_id, name="Front desk", email="desk@school.example"
    )
    standstill = office.begin_standstill(
        actor=actor,
        site_id=site_id,
        starts_on=today + timedelta(days=60),
        ends_on=today + timedelta(days=80),
        billing="none",
    )
    return {"plan": str(plan.id), "contact": str(contact.id), "standstill": str(standstill)}


def _billed(cast: Cast) -> dict[str, str]:
    """An open invoice with a charge, and a payment that settles nothing yet."""
    with cast.reading():
        (debt, other), charge = settling.open_debts()[:2], closes.charges()[0]
        contract = contract_queries.get_contract(f"{cast.mark}K-1")
        row = contract_queries.sites_of(contract.id)[0]
    payment = NewPayment(
        customer_id=cast.customer.id,
        received_on=date(2026, 6, 10),
        amount=Decimal(3),
        currency="EUR",
        reference=debt.number,
        external_id="T-1",
        allocations=[],
    )
    bookkeeper = cast.actors[Role.BOOKKEEPER]
    paid = payments.record_payment(actor=bookkeeper, payment=payment)
    whole = replace(payment, amount=other.left, external_id="T-2", allocations=[(other.number, other.left)])
    payments.record_payment(actor=bookkeeper, payment=whole)
    note = credit_document(actor=bookkeeper, number=other.number, reason="Billed twice")
    return {
        "credit_note": note.number,
        "invoice": debt.number,
        "charge": str(charge.id),
        "payment": str(paid.id),
        "contract_site": str(row.id),
    }


def _shared(cast: Cast) -> dict[str, str]:
    """The liquid's sheet, and a link of each kind."""
    actor = cast.dispatcher
    add_safety_sheet(
        actor=actor,
        liquid_id=cast.cartridge.liquid_id,
        revision_on=date(2025, 2, 1),
        language="en",
        content=bytes(typst.compile(b"= Sheet", format="pdf")),
    )
    restroom_id = cast.stations[0].restroom_id
    return {
        "restroom": str(restroom_id),
        "site_token": links.make_link(actor=actor, site_id=cast.site.id, label="Desk")[1],
        "customer_token": links.make_link(actor=actor, customer_id=cast.customer.id)[1],
        "restroom_token": links.make_link(actor=actor, restroom_id=restroom_id)[1],
    }


def _connected(cast: Cast) -> dict[str, str]:
    """A program, and an address that was told of a change and did not answer well."""
    client, _ = clients.make_client(actor=cast.owner, name="Ledger bridge", scopes=["changes:read"])
    endpoint = hooks.add(cast).endpoint
    hooks.add_customers(cast, 1)
    hooks.tell(cast)
    hooks.deliver(cast, hooks.failing())
    return {
        "program": str(client.uuid),
        "endpoint": str(endpoint.id),
        "delivery": str(hooks.deliveries(cast)[0].id),
    }


def _banked(cast: Cast) -> dict[str, str]:
    """A bank's statement with a movement that names nothing."""
    with cast.reading():
        debt = settling.open_debts()[0]
    movements = (Entry(str(debt.left), remittance="Thank you"), Entry("-4.50", remittance="Fee"))
    file = BankFile(camt(Said(movements)), "june.xml", "DE")
    look = import_bank_file(actor=cast.actors[Role.BOOKKEEPER], file=file)[0]
    assert look.row is not None
    with cast.reading():
        entry = waiting()[0]
    return {"statement": str(look.row.id), "entry": str(entry.id)}


def _picture() -> bytes:
    kept = io.BytesIO()
    Image.new("RGB", (320, 240), "#d9e0e8").save(kept, "JPEG")
    return kept.getvalue()
