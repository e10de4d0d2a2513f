"""What programs of the accounts call our rows and our accounts, inside an operator's scope."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from uuid import UUID

from django.db.models import QuerySet

import accounts.queries
from accounts.errors import NotFound
from accounts.languages import _
from billing.models import (
    AccountMapping,
    Document,
    ExternalId,
    JournalLine,
    LegalEntity,
    Payment,
    PriceItem,
    Refund,
)
from billing.rules.chart import USUAL_CHART, Account, Chart


def external_ids() -> QuerySet[ExternalId]:
    """Every name that a program gave a row, the earliest first."""
    return ExternalId.objects.order_by("id")


def get_external_id(system: str, kind: str, object_id: UUID) -> ExternalId:
    found = external_ids().filter(system=system, kind=kind, object_id=object_id).first()
    if found is None:
        raise NotFound(_("This has no name in that system."))
    return found


def _documents(ids: Collection[UUID], kind: str) -> set[UUID]:
    return set(Document.objects.filter(kind=kind, id__in=ids).values_list("id", flat=True))


_KNOWN: Mapping[str, Callable[[Collection[UUID]], set[UUID]]] = {
    "customer": lambda ids: set(accounts.queries.customers_in(ids)),
    "site": accounts.queries.known_site_ids,
    "invoice": lambda ids: _documents(ids, "invoice"),
    "credit_note": lambda ids: _documents(ids, "credit_note"),
    "opening": lambda ids: _documents(ids, "opening"),
    "payment": lambda ids: set(Payment.objects.filter(id__in=ids).values_list("id", flat=True)),
    "refund": lambda ids: set(Refund.objects.filter(id__in=ids).values_list("id", flat=True)),
    "price_item": lambda ids: set(PriceItem.objects.filter(id__in=ids).values_list("id", flat=True)),
}


def known_ids(kind: str, ids: Collection[UUID]) -> set[UUID]:
    """Those of these ids that rows of a kind have; none for a kind that takes no names."""
    return _KNOWN[kind](ids) if kind in _KNOWN else set()


def mappings() -> QuerySet[AccountMapping]:
    """Which account of a program's books each of ours is."""
    return AccountMapping.objects.select_related("legal_entity").order_by("id")


def get_mapping(system: str, account: str, legal_entity: str = "") -> AccountMapping:
    """The mapping of an account for one legal entity (its code), or for all of them."""
    rows = mappings().filter(system=system, account=account)
    rows = rows.filter(legal_entity__code=legal_entity) if legal_entity else rows.filter(legal_entity=None)
    found = rows.first()
    if found is None:
        raise NotFound(_("This account is not mapped in that system."))
    return found


@dataclass(frozen=True, slots=True)
class Mapped:
    """What a program calls our accounts: by legal entity and number; under None what holds for all entities."""

    by_account: Mapping[tuple[UUID | None, str], AccountMapping]

    def of(self, entity_id: UUID | None, account: str) -> AccountMapping | None:
        return self.by_account.get((entity_id, account)) or self.by_account.get((None, account))

    def number(self, entity_id: UUID | None, account: str) -> str:
        """The program's own number of the account; empty if it named none."""
        found = self.of(entity_id, account)
        return found.external_account if found else ""


def mapped(system: str) -> Mapped:
    """What one program calls our accounts; nothing for no program."""
    rows = AccountMapping.objects.filter(system=system) if system else AccountMapping.objects.none()
    return Mapped({(row.legal_entity_id, row.account): row for row in rows})


@dataclass(frozen=True, slots=True)
class UsedAccount:
    """An account of one legal entity's books ("" in the operator's own name); ``purpose`` is what it is for."""

    entity_id: UUID | None
    entity_code: str
    number: str
    purpose: Account
    has_entries: bool


def used_accounts() -> list[UsedAccount]:
    """The accounts that entries stand on or may, by legal entity and number."""
    booked: dict[UUID | None, set[str]] = {}
    rows = JournalLine.objects.order_by().values_list("entry__legal_entity_id", "account").distinct()
    for entity_id, number in rows:
        booked.setdefault(entity_id, set()).add(number)
    revenue = set(PriceItem.objects.exclude(revenue_account="").values_list("revenue_account", flat=True))
    entities = [(one.id, one.code, Chart(one.accounts)) for one in LegalEntity.objects.order_by("code")]
    if not entities or None in booked:
        entities.insert(0, (None, "", USUAL_CHART))
    return [
        UsedAccount(entity_id, code, number, purpose, number in booked.get(entity_id, ()))
        for entity_id, code, chart in entities
        for number, purpose in sorted(_numbers(chart, revenue | booked.get(entity_id, set())).items())
    ]


def _numbers(chart: Chart, more: Collection[str]) -> dict[str, Account]:
    """Each number of a chart with what it is for; any other that entries stand on is one of revenue."""
    return dict.fromkeys(more, Account.REVENUE) | {chart[account]: account for account in Account}
