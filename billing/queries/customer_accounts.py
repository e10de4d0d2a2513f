"""Customers as their accounts show them, inside an operator's scope."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db.models import Q, QuerySet

import accounts.queries
from accounts.errors import NotFound
from accounts.languages import _

if TYPE_CHECKING:
    from accounts.models import Customer


def get_customer(code: str) -> Customer:
    customer = accounts.queries.customers().filter(code=code).first()
    if customer is None:
        raise NotFound(_("There is no customer here with this code."))
    return customer


def customers(find: str = "") -> QuerySet[Customer]:
    """The customers by name; those with ``find`` in their name or code."""
    rows = accounts.queries.customers()
    if find:
        rows = rows.filter(Q(name__icontains=find) | Q(code__icontains=find))
    return rows.order_by("name", "code")
