"""What is owed to the network: its statements, for whoever may read them, and the terms, for whoever may set them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from django import forms
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from accounts import clock, tenancy
from accounts.errors import BadInput, NotFound, Refusal
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page
from accounts.permissions import Permission
from billing.commands.royalty import MOST_NAME, set_royalty_terms, state_month
from billing.models import RoyaltyStatement, RoyaltyTerms
from billing.pages import fields
from billing.queries import royalty as stated
from billing.rules.months import month_after
from billing.rules.royalty import Basis, Tier

PAGE_SIZE = 100
TIERS = (N_("Tier 1"), N_("Tier 2"), N_("Tier 3"), N_("Tier 4"))
MOST_TIERS = len(TIERS)
KINDS = {
    "invoice": N_("invoice"),
    "credit_note": N_("credit note"),
    "payment": N_("paid of"),
    "refund": N_("paid back of"),
}


class TermsForm(fields.GroupedForm):
    """The terms of the network; tiers that are left empty are none."""

    effective_from = fields.month(
        N_("In force from the month"), help_text=N_("A month that is not stated yet.")
    )
    network_name = fields.text(N_("Name of the network"), MOST_NAME)
    basis = fields.choice(
        N_("The royalty is a part of"),
        fields.words(
            [
                (Basis.BILLED, N_("what is billed in a month")),
                (Basis.COLLECTED, N_("what is paid in a month")),
            ]
        ),
        help_text=N_("Net of tax and of what was given back."),
    )
    minimum = fields.amount(N_("Least royalty of a month"), decimals=4, help_text=N_("0 for none."))
    fund_percent = fields.percent(
        N_("Marketing fund, in per cent of the same base"), help_text=N_("0 for none.")
    )
    groups = (
        (N_("With whom"), ("network_name", "effective_from", "basis")),
        *((title, (f"percent_{place}", f"upto_{place}")) for place, title in enumerate(TIERS)),
        (N_("Beside the tiers"), ("minimum", "fund_percent")),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for place in range(MOST_TIERS):
            self.fields[f"percent_{place}"] = fields.percent(
                N_("Per cent"),
                required=place == 0,
                help_text=N_("Empty on a tier that is not needed.") * (place > 0),
            )
            self.fields[f"upto_{place}"] = fields.amount(
                N_("Of a month's base up to"),
                required=False,
                decimals=4,
                help_text=N_("Empty on the last tier: of all the rest."),
            )

    def tiers(self) -> list[Tier]:
        """The tiers as typed, as far as they have a percentage."""
        typed = [
            (self.cleaned_data[f"upto_{place}"], self.cleaned_data[f"percent_{place}"])
            for place in range(MOST_TIERS)
        ]
        return [Tier(upto, percent) for upto, percent in typed if percent is not None]


@dataclass(frozen=True, slots=True)
class Tiered:
    """One tier of the terms, as a row: from where to where, and the percentage."""

    above: str
    upto: str | None
    percent: str


@operator_page(Permission.ROYALTY_READ)
def royalty(request: OperatorRequest) -> HttpResponse:
    return _royalty(request)


@operator_page(Permission.ROYALTY_MANAGE, "POST", recent=True)
def state(request: OperatorRequest) -> HttpResponse:
    """State the month named in the form; a refusal comes back on the page of the statements."""
    try:
        month = month_of(request.POST.get("month", ""))
        state_month(actor=request.actor, month=month)
    except Refusal as refusal:
        return _royalty(request, refusal=refusal, status=refusal.status)
    return redirect("royalty-statement", slug=request.operator.slug, month=f"{month:%Y-%m}")


@operator_page(Permission.ROYALTY_MANAGE, "GET", "HEAD", "POST")
def terms(request: OperatorRequest) -> HttpResponse:
    """The form of the terms, and what it sends."""
    if request.method != "POST":
        return _terms(request, TermsForm(initial=_in_force(request)))
    form = TermsForm(request.POST)
    if not form.is_valid():
        return _terms(request, form, status=422)
    values = {
        name: form.cleaned_data[name]
        for name in ("effective_from", "network_name", "minimum", "fund_percent")
    }
    try:
        set_royalty_terms(
            actor=request.actor, basis=Basis(form.cleaned_data["basis"]), tiers=form.tiers(), **values
        )
    except Refusal as refusal:
        _say(form, refusal)
        return _terms(request, form, status=refusal.status)
    return redirect(f"{reverse('royalty', args=[request.operator.slug])}?set=yes")


@operator_page(Permission.ROYALTY_READ)
def statement(request: OperatorRequest, month: str) -> HttpResponse:
    """One statement as it was issued, with the documents that make up its base."""
    with tenancy.reading(request.actor):
        found = stated.get_statement(_named(month))
        before, after = stated.neighbours(found.month)
    document: dict[str, Any] = found.document
    part = Paginator(document["rows"], PAGE_SIZE).get_page(request.GET.get("page"))
    page = {
        "statement": found,
        "document": document,
        "part": part,
        "total": len(document["rows"]),
        "rows": [{**row, "kind_words": _(KINDS[row["kind"]])} for row in part.object_list],
        "before": before,
        "after": after,
        "left_out": Decimal(document["brought_forward"]) != 0,
        "may_open": request.actor.may(Permission.INVOICES_READ),
    }
    return render(request, "billing/royalty_statement.html", page)


def month_of(text: str) -> date:
    """A month as typed or named, by its first day."""
    try:
        return datetime.strptime(text, "%Y-%m").date()  # noqa: DTZ007 - a month has no zone
    except ValueError:
        raise BadInput(_("Name the month as year and month, such as 2026-06. Nothing was stated.")) from None


def _named(month: str) -> date:
    try:
        return month_of(month)
    except BadInput:
        raise NotFound(_("There is no royalty statement here for this month.")) from None


def _say(form: TermsForm, refusal: Refusal) -> None:
    """A problem of tier 2 beside the fields of tier 2; all else as it is pointed to."""
    for problem in refusal.errors:
        if problem.pointer.startswith("/tiers/"):
            _start, _name, place, *last = problem.pointer.split("/")
            name = f"{last[0] if last else 'percent'}_{place}"
            form.add_error(name if name in form.fields else None, problem.detail)
        else:
            last_name = problem.pointer.rsplit("/", 1)[-1]
            form.add_error(last_name if last_name in form.fields else None, problem.detail)
    if not refusal.errors:
        form.add_error(None, refusal.detail)


def _in_force(request: OperatorRequest) -> dict[str, Any]:
    """What the form begins with: the terms of this month, if there are any, for the next one to be stated."""
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        last, row = stated.last_statement(), stated.terms_in(today.replace(day=1))
    begins = month_after(last.month) if last else today.replace(day=1)
    if row is None:
        return {"effective_from": begins, "minimum": 0, "fund_percent": 0, "basis": Basis.BILLED}
    values: dict[str, Any] = {
        "effective_from": begins,
        "network_name": row.network_name,
        "basis": row.basis,
        "minimum": Decimal(f"{row.minimum.normalize():f}"),
        "fund_percent": Decimal(f"{row.fund_percent.normalize():f}"),
    }
    for place, tier in enumerate(row.tiers[:MOST_TIERS]):
        values |= {
            f"percent_{place}": Decimal(tier["percent"]),
            f"upto_{place}": Decimal(tier["upto"]) if tier["upto"] else None,
        }
    return values


def _terms(request: OperatorRequest, form: forms.Form, status: int = 200) -> HttpResponse:
    return render(request, "billing/royalty_terms.html", {"form": form}, status=status)


def _royalty(request: OperatorRequest, *, refusal: Refusal | None = None, status: int = 200) -> HttpResponse:
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        part = Paginator(stated.statements(), PAGE_SIZE).get_page(request.GET.get("page"))
        statements: list[RoyaltyStatement] = list(part.object_list)
        agreed: list[RoyaltyTerms] = list(stated.terms_rows())
        upcoming = stated.next_month()
    page = {
        "statements": statements,
        "part": part,
        "latest": statements[0] if statements and part.number == 1 else None,
        "agreed": [(row, _tiers(row)) for row in agreed],
        "upcoming": upcoming,
        "is_over": upcoming is not None and month_after(upcoming) <= today,
        "may_manage": request.actor.may(Permission.ROYALTY_MANAGE),
        "was_set": "set" in request.GET,
        "refusal": refusal,
    }
    return render(request, "billing/royalty.html", page, status=status)


def _tiers(row: RoyaltyTerms) -> list[Tiered]:
    bounds = ["0", *(tier["upto"] for tier in row.tiers)]
    return [Tiered(bounds[place], tier["upto"], tier["percent"]) for place, tier in enumerate(row.tiers)]
