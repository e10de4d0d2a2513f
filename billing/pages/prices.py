"""The price list: each item with its prices from a day on, those of contracts, and those that wait for an index."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from accounts import clock, tenancy
from accounts.errors import Refusal
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page, say
from accounts.permissions import Permission
from billing.commands import prices as commands
from billing.commands.prices import NewPriceItem
from billing.models import PriceItem, PriceVersion
from billing.pages.price_forms import FigureForm, ItemForm, PriceForm
from billing.queries import contract_lists, parties, prices
from billing.queries.prices import PricedItem
from billing.rules.tax_words import CLASS_NAMES
from billing.rules.terms_words import BASES, work

AHEAD_DAYS = 90
DONE = {
    "item": N_("The item is on the list."),
    "price": N_("The price is set."),
    "figure": N_("The figure is entered."),
}


@operator_page(Permission.INVOICES_READ)
def price_list(request: OperatorRequest) -> HttpResponse:
    return _show_list(request)


def _show_list(
    request: OperatorRequest, figure_form: FigureForm | None = None, status: int = 200
) -> HttpResponse:
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        listed = prices.with_prices(list(prices.price_items()))
        waiting = list(prices.price_versions().filter(amount=None))
        figures = list(prices.index_figures())
        ahead = prices.price_changes_ahead(today, AHEAD_DAYS)
        special = contract_lists.prices_in_contracts(today)
    indexes = sorted({(one.index_code, one.index_code) for one in waiting})
    page = {
        "rows": [_listed(one, today) for one in listed],
        "special": special,
        "waiting": waiting,
        "figures": figures[-24:],
        "ahead": [one for one in ahead if one.before is not None],
        "ahead_days": AHEAD_DAYS,
        "figure_form": figure_form or FigureForm(indexes=indexes),
        "done": _(DONE.get(request.GET.get("done", ""), "")),
        "may_price": request.actor.may(Permission.PRICES_MANAGE),
    }
    return render(request, "billing/prices.html", page, status=status)


def _listed(one: PricedItem, today: date) -> tuple[PriceItem, str, PriceVersion | None]:
    """An item, what it prices in words, and its price on the list today."""
    now = next((price for price in one.prices if _holds(price, today)), None)
    return one.item, what_is_priced(one.item.basis, one.item.event_type, one.item.fixture), now


def what_is_priced(basis: str, event_type: str, fixture: str) -> str:
    """What an item's price is for, in words: "a unit's month at a urinal", "a wick change"."""
    what = _("a {work}", work=work(event_type)) if event_type else _(BASES[basis])
    if fixture == "urinal":
        return _("{what} at a urinal", what=what)
    return _("{what} at a water closet", what=what) if fixture else what


def _holds(one: PriceVersion, today: date) -> bool:
    return one.effective_from <= today and (one.effective_to is None or today < one.effective_to)


@operator_page(Permission.INVOICES_READ)
def price_item(request: OperatorRequest, code: str) -> HttpResponse:
    """An item with all its prices."""
    return _show_item(request, code)


@operator_page(Permission.PRICES_MANAGE, "POST")
def set_price(request: OperatorRequest, code: str) -> HttpResponse:
    form = PriceForm(request.POST)
    if not form.is_valid():
        return _show_item(request, code, form, status=422)
    try:
        commands.set_price(actor=request.actor, item_code=code, **form.values)
    except Refusal as refusal:
        say(form, refusal, {"site": "site_code", "code": "index_code", "number": "contract_number"})
        return _show_item(request, code, form, status=refusal.status)
    return redirect(f"{reverse('price-item', args=[request.operator.slug, code])}?done=price")


def _show_item(
    request: OperatorRequest, code: str, form: PriceForm | None = None, status: int = 200
) -> HttpResponse:
    today = clock.today(request.operator.zone)
    with tenancy.reading(request.actor):
        item = prices.get_price_item(code)
        versions = list(prices.price_versions().filter(item=item))
        currency = parties.default_entity().currency
    versions.sort(key=lambda one: (_scope(one), one.effective_from), reverse=False)
    initial = {
        "effective_from": today.replace(day=1),
        "contract_number": request.GET.get("contract", ""),
    }
    now = next((one for one in versions if not one.contract_id and _holds(one, today)), None)
    page = {
        "item": item,
        "what": what_is_priced(item.basis, item.event_type, item.fixture),
        "tax_class": _(CLASS_NAMES[item.tax_class]),
        "now": now,
        "rows": [(one, _scope(one) or _("the price list"), _holds(one, today)) for one in versions],
        "currency": currency,
        "form": form or PriceForm(initial=initial),
        "today": today,
        "done": _(DONE.get(request.GET.get("done", ""), "")),
        "may_price": request.actor.may(Permission.PRICES_MANAGE),
    }
    return render(request, "billing/price_item.html", page, status=status)


def _scope(one: PriceVersion) -> str:
    """Whom a price is for, in words; nothing for everybody."""
    if one.contract is None:
        return ""
    return f"{one.contract.number}, {one.site.name}" if one.site else one.contract.number


@operator_page(Permission.PRICES_MANAGE, "GET", "HEAD", "POST")
def new_item(request: OperatorRequest) -> HttpResponse:
    if request.method != "POST":
        first = clock.today(request.operator.zone).replace(day=1)
        return _show_new(request, ItemForm(initial={"effective_from": first, "basis": "unit_month"}))
    form = ItemForm(request.POST)
    if not form.is_valid():
        return _show_new(request, form, status=422)
    try:
        commands.add_price_items(actor=request.actor, items=[NewPriceItem(**form.cleaned_data)])
    except Refusal as refusal:
        say(form, refusal)
        return _show_new(request, form, status=refusal.status)
    return redirect(f"{reverse('prices', args=[request.operator.slug])}?done=item")


def _show_new(request: OperatorRequest, form: ItemForm, status: int = 200) -> HttpResponse:
    return render(request, "billing/new_price_item.html", {"form": form}, status=status)


@operator_page(Permission.PRICES_MANAGE, "POST")
def index_figure(request: OperatorRequest) -> HttpResponse:
    """A published figure; the prices that waited for it get their amount."""
    form = FigureForm(request.POST, indexes=[])
    if not form.is_valid():
        return _show_list(request, form, status=422)
    values: dict[str, Any] = form.cleaned_data
    try:
        commands.record_index_figure(
            actor=request.actor,
            code=values["code"],
            month=values["month"].replace(day=1),
            value=values["value"],
        )
    except Refusal as refusal:
        say(form, refusal)
        return _show_list(request, form, status=refusal.status)
    return redirect(f"{reverse('prices', args=[request.operator.slug])}?done=figure")
