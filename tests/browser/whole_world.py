"""An operator with something of everything, so that no page is looked at while it is empty."""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import typst
from PIL import Image

from accounts.commands import contacts
from accounts.ids import uuid7
from accounts.permissions import Role
from billing.commands import contracts, payments, previewing, royalty
from billing.commands.contracts import NewContract, NewContractSite
from billing.commands.payments import NewPayment
from billing.commands.royalty import Basis, Tier
from billing.commands.terms import NewTerms
from billing.queries import closes, settling
from billing.queries import contracts as contract_queries
from fleet.commands import add_safety_sheet
from servicing.commands import links, office, photos, planning
from servicing.commands.sweeps import sweep
from servicing.events.types import Subject
from servicing.queries import events as log
from servicing.queries import personal
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


def sold(cast: Cast) -> Cast:
    """April and May closed with VAT under a contract, and June looked at."""
    sell_with_vat(cast)
    list_prices(cast)
    contracts.add_contract(
        actor=cast.actors[Role.BOOKKEEPER],
        new=NewContract(
            number="K-1",
            customer_id=cast.customer.id,
            starts_on=APRIL,
            sites=[NewContractSite(cast.site.id)],
            terms=NewTerms(visit_minimum=Decimal(38), install_waived=True, claw_back_months=12),
        ),
    )
    cast.upload(cast.installed(at=on(4, 1)), cast.event("wick.changed", cast.unit, on(4, 14), reason="age"))
    close(cast, APRIL)
    close(cast, MAY, at=datetime(2026, 6, 3, 9, tzinfo=UTC))
    bookkeeper = cast.actors[Role.BOOKKEEPER]
    royalty.set_royalty_terms(
        actor=bookkeeper,
        effective_from=APRIL,
        network_name="The network",
        basis=Basis.BILLED,
        tiers=[Tier(None, Decimal(5))],
    )
    for month in (APRIL, MAY):
        royalty.state_month(actor=bookkeeper, month=month)
    previewing.preview_month(actor=cast.actors[Role.BOOKKEEPER], month=date(2026, 6, 1))
    return cast


def whole_world(cast: Cast) -> World:
    sold(cast)
    visit = uuid7(on(5, 28))
    fault = cast.event(
        "fault.found", cast.units[1], on(5, 28), mode="ELU", detection="visit_check", visit=visit
    )
    cast.upload(
        cast.installed(cast.units[1], at=on(4, 20), station=1),
        cast.exchanged(at=on(5, 28), visit=visit),
        fault,
        cast.event(
            "visit.made",
            visit,
            on(5, 28),
            site_id=cast.site.id,
            crew_id=cast.crew.id,
            outcome="served",
            minutes=25,
        ),
    )
    dispatcher, owner = cast.dispatcher, cast.owner
    office.receive_report(
        actor=dispatcher,
        about=Subject.SITE,
        subject_id=cast.site.id,
        kind="leak",
        who="Front desk",
        said="A puddle below the second one.",
    )
    plan = planning.plan_visit(actor=dispatcher, site_id=cast.site.id, day=NOON.date(), crew_id=cast.crew.id)
    planning.write_note(actor=dispatcher, site_id=cast.site.id, text="Ring half an hour before.")
    contact = contacts.add_contact(
        actor=owner,
        site_id=cast.site.id,
        name="Front desk",
        email="desk@school.example",
        wants_announcements=True,
    )
    photo = uuid7(on(5, 28))
    photos.add_photo(
        actor=cast.crew_phone,
        id=photo,
        content=_picture(),
        unit_id=cast.units[1].id,
        event_id=fault["id"],
        taken_at=on(5, 28),
    )
    standstill = office.begin_standstill(
        actor=dispatcher,
        site_id=cast.site.id,
        starts_on=NOON.date() + timedelta(days=60),
        ends_on=NOON.date() + timedelta(days=80),
        billing="none",
    )
    with cast.reading():
        liquid_id = cast.cartridge.liquid_id
        restroom_id = cast.stations[0].restroom_id
        debt = settling.open_debts()[0]
        charge = str(closes.charges()[0].id)
        contract = contract_queries.get_contract("K-1")
        contract_site = str(contract_queries.sites_of(contract.id)[0].id)
        person = str(personal.people()[0].person_id)
        event = str(log.unit_events(cast.unit.id)[0].event_id)
    add_safety_sheet(
        actor=owner, liquid_id=liquid_id, revision_on=date(2025, 2, 1), language="en",
        content=bytes(typst.compile(b"= Sheet", format="pdf")),
    )  # fmt: skip
    paid = payments.record_payments(
        actor=cast.actors[Role.BOOKKEEPER],
        payments=[
            NewPayment(
                customer_id=cast.customer.id,
                received_on=date(2026, 6, 10),
                amount=Decimal(3),
                currency="EUR",
                reference=debt.number,
                external_id="T-1",
                allocations=[],
            )
        ],
    )
    _, site_token = links.make_link(actor=dispatcher, site_id=cast.site.id, label="Desk")
    _, customer_token = links.make_link(actor=dispatcher, customer_id=cast.customer.id)
    _, restroom_token = links.make_link(actor=dispatcher, restroom_id=restroom_id)
    sweep(actor=dispatcher)
    return World(
        cast=cast,
        invoice=debt.number,
        charge=charge,
        payment=str(paid[0].id),
        event=event,
        plan=str(plan.id),
        photo=str(photo),
        site_token=site_token,
        customer_token=customer_token,
        restroom_token=restroom_token,
        restroom=str(restroom_id),
        contact=str(contact.id),
        contract_site=contract_site,
        standstill=str(standstill),
        person=person,
    )


def _picture() -> bytes:
    kept = io.BytesIO()
    Image.new("RGB", (320, 240), "#d9e0e8").save(kept, "JPEG")
    return kept.getvalue()
