"""One row by its id."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError

from accounts.errors import NotFound
from accounts.languages import N_, _
from accounts.tenancy import OperatorOwned

_ABSENT = {
    "site": N_("There is no site here with this id."),
    "customer": N_("There is no customer here with this id."),
    "crew": N_("There is no crew here with this id."),
    "device": N_("There is no device here with this id."),
    "member": N_("There is no member here with this id."),
    "contact": N_("There is no contact here with this id."),
    "support": N_("Nobody was let in here under this id."),
    "service agreement": N_("There is no service agreement here with this id."),
}


def row_by_id(model: type[OperatorOwned], row_id: Any, what: str) -> Any:
    """The one way to a row by id: absent and foreign give the same answer."""
    try:
        return model.objects.get(id=row_id)
    except (model.DoesNotExist, ValidationError, ValueError):
        raise NotFound(_(_ABSENT[what])) from None
