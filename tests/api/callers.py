"""Who calls the API in the tests: a phone, a program, a signed-in person; and an operator in whom much has happened."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any
from urllib.parse import urlencode
from uuid import UUID, uuid4

from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver
from PIL import Image

from accounts import clock
from accounts.commands import clients, operators
from accounts.doors import RowsView
from accounts.jobs import Job, enqueue
from accounts.jobs.long import LongWork
from accounts.permissions import PROGRAM_SCOPES, Role
from accounts.tenancy import reading, writing
from billing.commands.bank_files import BankFile, assign_entry, import_bank_file
from billing.commands.crediting import credit_document
from billing.commands.month_jobs import owe_preview
from billing.commands.opening import NewDebt, record_opening_debts
from billing.commands.payments import NewPayment, record_payment
from billing.commands.previewing import preview_month
from billing.commands.royalty import set_royalty_terms, state_month
from billing.commands.sending import send_statement
from billing.queries import settling
from billing.rules.crediting import CreditedLine
from billing.rules.royalty import Basis, Tier
from servicing.commands.entries import set_code
from servicing.commands.forecasts import refit
from servicing.commands.importing import begin_look, run_look
from servicing.commands.office import begin_standstill
from servicing.commands.personal import file_text
from servicing.commands.photos import add_photo
from servicing.commands.seals import seal
from servicing.commands.sweeps import sweep
from tests.api.contracted import contracted
from tests.api.hooked import hooked
from tests.api.written_back import written_back
from tests.billing.bank.files import Entry as BankLine
from tests.billing.bank.files import Said as BankSaid
from tests.billing.bank.files import camt
from tests.billing.books import APRIL, JUNE, MAY, close, list_prices
from tests.cast import Cast

# Of work that failed, in the tests.
FAILED_KIND = "servicing.tasks.refit"
ROOT = "/api/v1/"
FORM = "application/x-www-form-urlencoded"


class Api(Client):
    """A client on HTTPS that sends and reads JSON."""

    def generic(self, *args: Any, **kwargs: Any) -> Any:
        return super().generic(*args, **{**kwargs, "secure": True})

    def read(self, path: str, **query: Any) -> Any:
        return self.get(ROOT + path, query)

    def send(self, path: str, body: Any = None, **kwargs: Any) -> Any:
        return self.post(
            ROOT + path, json.dumps({} if body is None else body), content_type="application/json", **kwargs
        )

    def send_text(self, path: str, text: str | bytes, **kwargs: Any) -> Any:
        return self.post(ROOT + path, text, content_type="application/json", **kwargs)


def bearer(token: str) -> Api:
    return Api(headers={"authorization": f"Bearer {token}"})


def program_of(cast: Cast, *scopes: str, name: str = "") -> Api:
    """A program of the operator with these scopes, all there are without any, and the token it got for its secret."""
    client, secret = clients.make_client(
        actor=cast.owner, name=name or f"Books {uuid4()}", scopes=scopes or PROGRAM_SCOPES
    )
    return bearer(token_for(client.client_id, secret))


def token_for(client_id: str, secret: str) -> str:
    """An access token, as a program gets it."""
    asked = {"grant_type": "client_credentials", "client_id": client_id, "client_secret": secret}
    answer = Api().post("/oauth/token", urlencode(asked), content_type=FORM)
    assert answer.status_code == 200, answer.content
    return answer.json()["access_token"]


def phone_of(cast: Cast) -> Api:
    return bearer(cast.phone_token)


def signed_in(cast: Cast, role: Role = Role.OWNER, **kwargs: Any) -> Api:
    client = Api(headers={"wickround-operator": cast.operator.slug}, **kwargs)
    client.force_login(cast.users[role])
    return client


def office(cast: Cast) -> Api:
    return signed_in(cast, Role.DISPATCHER)


def made(answer: Any) -> Any:
    """What a door says it made."""
    assert answer.status_code == 201, answer.content
    return answer.json()


def refused(answer: Any, status: int) -> list[str]:
    """The pointers of a refusal; each has a sentence."""
    assert answer.status_code == status, answer.content
    errors = answer.json()["errors"]
    assert all(error["detail"].endswith(".") for error in errors)
    return [error["pointer"] for error in errors]


def api_routes() -> Iterator[tuple[str, URLPattern]]:
    """Every route of the API, by its address with the names of its parts, from the URL configuration itself."""

    def walk(patterns: Any, prefix: str) -> Iterator[tuple[str, URLPattern]]:
        for entry in patterns:
            here = prefix + str(entry.pattern)
            if isinstance(entry, URLResolver):
                yield from walk(entry.url_patterns, here)
            elif here.startswith("api/"):
                yield here, entry

    yield from walk(get_resolver().url_patterns, "")


def names_in(route: URLPattern) -> list[str]:
    """The names of the parts of an address, such as ``unit_id``."""
    return list(route.pattern.converters)


def view_of(route: URLPattern) -> Any:
    """The class of the view at an address."""
    return route.callback.view_class  # type: ignore[attr-defined]


def filled(address: str, route: URLPattern, row_id: str) -> str:
    """An address with an id in the place of each of its parts."""
    for name in names_in(route):
        address = address.replace(f"<uuid:{name}>", row_id).replace(f"<str:{name}>", row_id)
    return address


def live(cast: Cast) -> dict[str, UUID | str]:
    """Let something of every kind happen; gives the id of one row of each, by the name the addresses use."""
    visit = uuid4()
    install = cast.installed(at=datetime(2026, 4, 2, 9, tzinfo=UTC))
    stamp = datetime(2026, 5, 10, 9, tzinfo=UTC)
    fates = cast.upload(
        install,
        cast.exchanged(at=stamp, visit=visit),
        cast.event("fault.found", cast.unit, stamp, mode="PLU", detection="visit_check", visit=visit),
        cast.event("visit.made", visit, stamp, site_id=cast.site.id, outcome="served", crew_id=cast.crew.id),
        cast.exchanged(cast.units[1]),  # never installed: a finding
        cast.event("report.received", cast.site, kind="odour"),
    )
    assert {fate.fate for fate in fates} == {"accepted"}
    begin_standstill(
        actor=cast.dispatcher, site_id=cast.site.id, starts_on=date(2026, 8, 1), ends_on=None, billing="none"
    )
    assert sweep(actor=cast.owner)["opened"] > 0
    operators.set_service_rules(actor=cast.owner, effective_from=date(2026, 7, 1), dry_soon_days=4)
    list_prices(cast)
    close(cast, APRIL)
    preview_month(actor=cast.owner, month=MAY)
    paid = pay_and_credit(cast)
    assert seal(actor=cast.owner, at_once=True) == 1
    assert refit(actor=cast.owner).outlooks == 1
    text = file_text(actor=cast.dispatcher, who="Somebody", said="It smells")
    owner = signed_in(cast)
    return {
        **contracted(cast),
        "code": "wick",
        "agreement_id": cast.agreement.id,
        "charge_id": UUID(owner.read("charges").json()["results"][0]["id"]),
        "alert_id": UUID(owner.read("alerts").json()["results"][0]["id"]),
        "crew_id": cast.crew.id,
        "customer_id": cast.customer.id,
        "device_id": cast.phone.id,
        "entry_code_id": set_code(
            actor=cast.dispatcher, site_id=cast.site.id, label="Key box", code="Quarz 7731 Nord"
        ).id,
        "event_id": UUID(install["id"]),
        "import_id": looked_at(cast),
        "job_id": failed(cast, 3)[0],
        "work_id": owed(cast).id,
        "photo_id": photographed(cast),
        "number": owner.read("invoices").json()["results"][0]["number"],
        "site_id": cast.site.id,
        "text_id": text.text_id,
        "unit_id": cast.unit.id,
        "visit_id": visit,
        **paid,
        **banked(cast),
        "royalty_month": told(cast),
        **hooked(cast),
    }


def failed(cast: Cast, jobs: int = 1) -> list[UUID]:
    """Work that failed for good; gives its ids."""
    made = []
    with writing(cast.owner):
        for _ in range(jobs):
            key = f"failed/{uuid4()}"
            enqueue(kind=FAILED_KIND, dedup_key=key)
            job = Job.objects.filter(kind=FAILED_KIND, dedup_key=key)
            job.update(attempts=5, quarantined_at=clock.now(), last_error="There are no rules yet.")
            made.append(job.get().id)
    return made


def looked_at(cast: Cast) -> UUID:
    """A file of rows that was sent and looked at, one of them wrong; nothing of it is imported yet."""
    rows = "code,name,country\nC61,Weir Office,DE\nC62,,DE\n"
    look_id = begin_look(actor=cast.owner, kind="customers", content=rows.encode(), name="customers.csv")
    with reading(cast.owner):
        job_id = LongWork.objects.get(id=look_id).job_id
    run_look(cast.operator.id, job_id)
    return look_id


def owed(cast: Cast, month: date = JUNE) -> LongWork:
    """Long work that waits for a worker."""
    return owe_preview(actor=cast.owner, month=month)


def photographed(cast: Cast) -> UUID:
    """A photo of the unit."""
    out = io.BytesIO()
    Image.new("RGB", (8, 8)).save(out, "JPEG")
    at = datetime(2026, 5, 10, 9, tzinfo=UTC)
    actor = cast.crew_phone
    return add_photo(actor=actor, id=uuid4(), content=out.getvalue(), unit_id=cast.unit.id, taken_at=at).id


def told(cast: Cast) -> str:
    """A statement mailed to the customer, and May stated to the network; gives that month."""
    send_statement(
        actor=cast.owner,
        customer_id=cast.customer.id,
        since=date(2026, 5, 1),
        until=date(2026, 5, 31),
        to="accounts@quay.example",
    )
    set_royalty_terms(
        actor=cast.owner,
        effective_from=date(2026, 5, 1),
        network_name="Drip Network",
        basis=Basis.BILLED,
        tiers=[Tier(None, Decimal(6))],
    )
    state_month(actor=cast.owner, month=date(2026, 5, 1))
    return "2026-05"


def pay_and_credit(cast: Cast) -> dict[str, UUID | str]:
    """An invoice paid and then some, a part of it given back, and an open debt of the books before."""
    with cast.reading():
        (invoice,) = settling.open_debts()
    old = NewDebt(cast.customer.id, "OLD-1", date(2026, 1, 5), Decimal(80))
    record_opening_debts(actor=cast.owner, debts=[old])
    payment = record_payment(
        actor=cast.owner,
        payment=NewPayment(
            cast.customer.id,
            date(2026, 5, 20),
            invoice.left + 10,
            allocations=[(invoice.number, invoice.left)],
        ),
    )
    note = credit_document(
        actor=cast.owner, number=invoice.number, reason="Too much", lines=[CreditedLine(1, Decimal("5.00"))]
    )
    back = written_back(cast, payment.id, note.number)
    return {"payment_id": payment.id, "credit_note": note.number, **back}


def banked(cast: Cast) -> dict[str, UUID | str]:
    """A bank's statement: money that waits, a payment that was assigned, and what takes that back."""
    said = (
        BankLine("40.00", "For the drips", bank="B-1"),
        BankLine("30.00", "As agreed", bank="B-2", end_to_end="E2E-2"),
        BankLine("-30.00", "Unpaid", bank="B-3", end_to_end="E2E-2", returned="AC04"),
    )
    (look,) = import_bank_file(actor=cast.owner, file=BankFile(camt(BankSaid(said)), "june.xml"))
    waiting, paid, back = (one.entry.id for one in look.looks if one.entry)
    entry = assign_entry(actor=cast.owner, entry_id=paid, customer_id=cast.customer.id)
    assert look.row is not None
    assert entry.payment_id is not None
    return {
        "bank_statement_id": look.row.id,
        "bank_entry_id": waiting,
        "outgoing_entry_id": back,
        "returned_payment_id": entry.payment_id,
    }


LISTS = tuple(
    address.removeprefix("api/v1/")
    for address, route in api_routes()
    if not names_in(route) and issubclass(view_of(route), RowsView)
)


def everything(cast: Cast) -> dict[str, Any]:
    """All that the operator itself can read by its lists."""
    owner = signed_in(cast)
    return {path: owner.read(path, limit=200).json()["results"] for path in LISTS}
