"""The API of contracts: their sites, terms, own prices, renewals and notice."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.doors import OperatorView, RowsView, RowView, Sent, sent_by
from accounts.permissions import Permission
from billing.api.prices import ContractPriceShown
from billing.commands import contracts as commands
from billing.commands.contracts import CONTRACT_RANGES, NewContract, NewContractSite
from billing.commands.terms import CYCLES, EVERY, MOST_INCLUDED, PER, TERMS_RANGES, NewTerms
from billing.models import Contract, ContractRenewal, ContractSite, ContractTerms, PriceVersion
from billing.queries import contracts, prices
from billing.rules.dispositions import CHARGEABLE_TYPES
from billing.rules.money import PRICE_DECIMALS
from billing.rules.terms import CreditAs, EndRule, Mode, NotAdmitted, Proration

MINIMUM_HELP = "Net, in the currency of who issues, as a decimal in a string; null for none."


class ContractShown(serializers.Serializer[Contract]):
    id = serializers.UUIDField()
    number = serializers.CharField()
    customer = serializers.UUIDField(source="customer_id")
    legal_entity = serializers.CharField(
        source="legal_entity.code", default="", help_text="The code of who issues; empty is the default."
    )
    starts_on = serializers.DateField()
    ends_before = serializers.DateField(allow_null=True, help_text="The first day no longer covered.")
    term_months = serializers.IntegerField(help_text="0: it runs until notice.")
    renewal_months = serializers.IntegerField(help_text="0: it ends with its term.")
    notice_days = serializers.IntegerField()
    end_rule = serializers.ChoiceField(list(EndRule))
    notice_given_on = serializers.DateField(allow_null=True)


class InclusionShown(serializers.Serializer[dict[str, Any]]):
    event_type = serializers.ChoiceField(sorted(CHARGEABLE_TYPES))
    count = serializers.IntegerField()
    per = serializers.ChoiceField(PER)
    every = serializers.ChoiceField(EVERY, help_text="A year of the contract, or a calendar month.")


class InclusionSent(Sent):
    event_type = serializers.ChoiceField(sorted(CHARGEABLE_TYPES))
    count = serializers.IntegerField(min_value=1, max_value=MOST_INCLUDED)
    per = serializers.ChoiceField(PER)
    every = serializers.ChoiceField(EVERY, help_text="A year of the contract, or a calendar month.")


class ContractTermsShown(serializers.Serializer[ContractTerms]):
    id = serializers.UUIDField()
    effective_from = serializers.DateField()
    mode = serializers.ChoiceField(list(Mode))
    cycle_months = serializers.IntegerField()
    in_advance = serializers.BooleanField()
    proration = serializers.ChoiceField(list(Proration))
    base_units = serializers.IntegerField()
    visit_minimum = serializers.DecimalField(20, PRICE_DECIMALS, allow_null=True, help_text=MINIMUM_HELP)
    invoice_minimum = serializers.DecimalField(20, PRICE_DECIMALS, allow_null=True, help_text=MINIMUM_HELP)
    inclusions = InclusionShown(many=True)
    install_waived = serializers.BooleanField()
    claw_back_months = serializers.IntegerField()
    not_admitted = serializers.ChoiceField(list(NotAdmitted))
    credits_missed = serializers.BooleanField()
    make_good_days = serializers.IntegerField()
    credit_as = serializers.ChoiceField(list(CreditAs))


def _minimum() -> serializers.DecimalField:
    return serializers.DecimalField(
        15, PRICE_DECIMALS, min_value=0, required=False, allow_null=True, help_text=MINIMUM_HELP
    )


def _within(ranges: Any, name: str, **more: Any) -> serializers.IntegerField:
    least, most = ranges[name]
    return serializers.IntegerField(min_value=least, max_value=most, required=False, **more)


class FirstTermsSent(Sent):
    mode = serializers.ChoiceField(list(Mode), required=False, help_text="What is billed for.")
    cycle_months = serializers.ChoiceField(CYCLES, required=False, help_text="Of monthly fees.")
    in_advance = serializers.BooleanField(required=False)
    proration = serializers.ChoiceField(
        list(Proration), required=False, help_text="What a part of a month costs of its price."
    )
    base_units = _within(TERMS_RANGES, "base_units", help_text="With the mode base_plus, and only then.")
    visit_minimum = _minimum()
    invoice_minimum = _minimum()
    inclusions = InclusionSent(many=True, required=False, help_text="Work that is in the fee.")
    install_waived = serializers.BooleanField(required=False)
    claw_back_months = _within(
        TERMS_RANGES,
        "claw_back_months",
        help_text="A waived installation is paid for when the site leaves earlier.",
    )
    not_admitted = serializers.ChoiceField(
        list(NotAdmitted), required=False, help_text="What a visit costs that was not let in."
    )
    credits_missed = serializers.BooleanField(
        required=False, help_text="Whether a missed service is credited."
    )
    make_good_days = _within(
        TERMS_RANGES, "make_good_days", help_text="So many days after the due day it can be made good."
    )
    credit_as = serializers.ChoiceField(
        list(CreditAs), required=False, help_text="How work undone is given back."
    )


class ContractTermsSent(FirstTermsSent):
    effective_from = serializers.DateField(help_text="A day of a month that is not closed.")


class ContractSiteShown(serializers.Serializer[ContractSite]):
    id = serializers.UUIDField()
    site = serializers.UUIDField(source="site_id")
    site_code = serializers.CharField(source="site.code")
    starts_on = serializers.DateField()
    ends_before = serializers.DateField(allow_null=True, help_text="The first day no longer covered.")


class ContractSiteSent(Sent):
    site = serializers.UUIDField()
    starts_on = serializers.DateField(
        required=False, help_text="The contract's first day unless given; in a month that is not closed."
    )
    ends_before = serializers.DateField(
        required=False, allow_null=True, help_text="The first day no longer covered."
    )


class ContractSent(Sent):
    number = serializers.CharField(max_length=30, help_text="It stands in the contract's address.")
    customer = serializers.UUIDField()
    starts_on = serializers.DateField()
    ends_before = serializers.DateField(
        required=False,
        allow_null=True,
        help_text="An end agreed from the start: the first day no longer covered.",
    )
    term_months = _within(
        CONTRACT_RANGES, "term_months", help_text="12 unless given. 0: it runs until notice."
    )
    renewal_months = _within(
        CONTRACT_RANGES, "renewal_months", help_text="12 unless given. 0: it ends with its term."
    )
    notice_days = _within(CONTRACT_RANGES, "notice_days", help_text="90 unless given.")
    end_rule = serializers.ChoiceField(list(EndRule), required=False)
    legal_entity = serializers.CharField(
        max_length=10,
        required=False,
        allow_blank=True,
        help_text="The code of who issues; empty is the default.",
    )
    sites = ContractSiteSent(many=True, required=False)
    terms = FirstTermsSent(required=False, help_text="From the contract's first day on.")


class SiteEndSent(Sent):
    ends_before = serializers.DateField(
        help_text="The first day no longer covered, in a month that is not closed."
    )


class NoticeSent(Sent):
    given_on = serializers.DateField(
        allow_null=True,
        help_text="The day on which it reached the other side; null takes back what was given.",
    )
    ends_before = serializers.DateField(
        required=False,
        help_text="Another end that both sides agreed on; by the contract's rule unless given.",
    )


class ContractRenewalShown(serializers.Serializer[ContractRenewal]):
    id = serializers.UUIDField()
    starts_on = serializers.DateField()
    ends_before = serializers.DateField()
    recorded_at = serializers.DateTimeField()


class ContractFilter(filters.FilterSet):
    customer = filters.UUIDFilter("customer_id")


class Contracts(RowsView):
    permissions = {"GET": Permission.INVOICES_READ, "POST": Permission.CONTRACTS_MANAGE}
    serializer_class = ContractShown
    filterset_class = ContractFilter
    ordering = ("number",)

    def rows(self) -> QuerySet[Contract]:
        return contracts.contracts()

    @extend_schema(request=ContractSent, responses={201: ContractShown}, filters=False)
    def post(self, request: Request) -> Response:
        """Make a contract with its sites and first terms: all or nothing."""
        sent = sent_by(request, ContractSent)
        new = NewContract(
            customer_id=sent.pop("customer"),
            sites=[_new_site(site) for site in sent.pop("sites", [])],
            terms=NewTerms(**sent.pop("terms", {})),
            **sent,
        )
        made = commands.add_contract(actor=self.actor, new=new)
        return Response(ContractShown(made).data, status=201)


def _new_site(sent: dict[str, Any]) -> NewContractSite:
    return NewContractSite(sent["site"], sent.get("starts_on"), sent.get("ends_before"))


class ContractDoor(RowView):
    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = ContractShown

    def row(self, contract_number: str) -> Contract:  # type: ignore[override]
        return contracts.get_contract(contract_number)


class OfOneContract(RowsView):
    """Rows of the contract that the address names."""

    @property
    def contract_number(self) -> str:
        return self.kwargs["contract_number"]

    @property
    def contract_id(self) -> UUID:
        return contracts.get_contract(self.contract_number).id


class ContractSites(OfOneContract):
    """The sites of a contract, each with the days it covers them on."""

    permissions = {"GET": Permission.INVOICES_READ, "POST": Permission.CONTRACTS_MANAGE}
    serializer_class = ContractSiteShown

    def rows(self) -> QuerySet[ContractSite]:
        return contracts.sites_of(self.contract_id)

    @extend_schema(request=ContractSiteSent, responses={201: ContractSiteShown})
    def post(self, request: Request, contract_number: str) -> Response:
        """Let a site join."""
        made = commands.add_contract_site(
            actor=self.actor,
            contract_number=contract_number,
            site=_new_site(sent_by(request, ContractSiteSent)),
        )
        return Response(ContractSiteShown(made).data, status=201)


class ContractSiteEnd(OperatorView):
    permissions = {"POST": Permission.CONTRACTS_MANAGE}
    serializer_class = ContractSiteShown
    http_method_names = ["post"]

    @extend_schema(request=SiteEndSent, responses={200: ContractSiteShown})
    def post(self, request: Request, contract_number: str, site_id: UUID) -> Response:
        """Let a site leave a contract that goes on. An end once set stays."""
        row = commands.end_contract_site(
            actor=self.actor,
            contract_number=contract_number,
            site_id=site_id,
            **sent_by(request, SiteEndSent),
        )
        return Response(ContractSiteShown(row).data)


class ContractTermsDoor(OfOneContract):
    """The terms of a contract, the earliest first: each holds until the next."""

    permissions = {"GET": Permission.INVOICES_READ, "POST": Permission.CONTRACTS_MANAGE}
    serializer_class = ContractTermsShown
    ordering = ("effective_from",)

    def rows(self) -> QuerySet[ContractTerms]:
        return contracts.terms_rows(self.contract_id)

    @extend_schema(request=ContractTermsSent, responses={201: ContractTermsShown})
    def post(self, request: Request, contract_number: str) -> Response:
        """Set other terms from a day on."""
        terms = NewTerms(**sent_by(request, ContractTermsSent))
        row = commands.set_terms(actor=self.actor, contract_number=contract_number, terms=terms)
        return Response(ContractTermsShown(row).data, status=201)


class ContractNotice(OperatorView):
    permissions = {"POST": Permission.CONTRACTS_MANAGE}
    serializer_class = ContractShown
    http_method_names = ["post"]

    @extend_schema(request=NoticeSent, responses={200: ContractShown})
    def post(self, request: Request, contract_number: str) -> Response:
        """Record notice, or take it back; the answer says when the contract ends."""
        sent = sent_by(request, NoticeSent)
        if sent["given_on"] is None:
            row = commands.withdraw_notice(actor=self.actor, contract_number=contract_number)
        else:
            row = commands.give_notice(actor=self.actor, contract_number=contract_number, **sent)
        return Response(ContractShown(row).data)


class ContractRenewals(OfOneContract):
    """The terms that a contract went on for by itself."""

    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = ContractRenewalShown
    ordering = ("starts_on",)

    def rows(self) -> QuerySet[ContractRenewal]:
        return contracts.renewals_of(self.contract_id)


class ContractPrices(OfOneContract):
    """The prices that a contract has of its own, for all its sites or for one."""

    permissions = {"GET": Permission.INVOICES_READ}
    serializer_class = ContractPriceShown

    def rows(self) -> QuerySet[PriceVersion]:
        return prices.prices_of_contract(self.contract_id)
