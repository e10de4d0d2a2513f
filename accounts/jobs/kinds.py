"""The kinds of long work: what each is called, who may see and cancel it, and to which page it belongs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date

from accounts import phrases
from accounts.languages import N_, _
from accounts.models import LongWork
from accounts.permissions import Permission

CLOSE_MONTH = "billing.tasks.close_month"
PREVIEW_MONTH = "billing.tasks.preview_month"
LOOK_AT_IMPORT = "servicing.tasks.look_at_import"
CARRY_OUT_IMPORT = "servicing.tasks.carry_out_import"


@dataclass(frozen=True, slots=True)
class Kind:
    """``word``: how the API names it. ``page``: the name of the address of the page that it was asked on. ``phases``: words
    of what it is at, by their keys; that of the first chunk is empty. ``lasting``: phases before which something is stored
    that stays when the work is cancelled.

    ``about`` says in the language of the moment what a piece of work of the kind is about.
    """

    word: str
    title: str
    permission: Permission
    page: str
    about: Callable[[LongWork], str] = field(default=lambda work: work.ref)
    phases: Mapping[str, str] = field(default_factory=dict)
    lasting: frozenset[str] = frozenset()


def _month_of(work: LongWork) -> str:
    return phrases.month(date.fromisoformat(f"{work.ref}-01"))


def _file_of(work: LongWork) -> str:
    return str(work.asked["name"])


KINDS: dict[str, Kind] = {
    CLOSE_MONTH: Kind(
        word="month_close",
        title=N_("Close of a month"),
        permission=Permission.INVOICES_ISSUE,
        page="month",
        about=_month_of,
        phases={
            "": N_("The log is being read."),
            "rating": N_("The work is being priced."),
            "storing": N_("The documents are being issued. This last step is done whole or not at all."),
        },
    ),
    PREVIEW_MONTH: Kind(
        word="month_preview",
        title=N_("Try-out of a month"),
        permission=Permission.INVOICES_ISSUE,
        page="month",
        about=_month_of,
        phases={
            "": N_("The log is being read."),
            "rating": N_("The work is being priced."),
            "storing": N_("The documents are being tried out."),
        },
    ),
    LOOK_AT_IMPORT: Kind(
        word="import_look",
        title=N_("Look through a file to import"),
        permission=Permission.FLEET_MANAGE,
        page="import",
        about=_file_of,
        phases={"judging": N_("Its rows are being compared with what is there.")},
    ),
    CARRY_OUT_IMPORT: Kind(
        word="import",
        title=N_("Import of a file"),
        permission=Permission.FLEET_MANAGE,
        page="import",
        about=_file_of,
        phases={
            "judging": N_("Its rows are being compared with what is there."),
            "storing": N_("What is new is being stored. This step is done whole or not at all."),
            "opening": N_("How the units stood is being recorded."),
        },
        lasting=frozenset({"opening"}),
    ),
}


def title_of(work: LongWork) -> str:
    """Such as "Close of a month: November 2026", in the language of the moment."""
    kind = KINDS[work.kind]
    return _("{title}: {about}", title=_(kind.title), about=kind.about(work))


def phase_of(work: LongWork) -> str:
    """What it is at, as a sentence in the language of the moment; empty when its kind says nothing of that."""
    return _(KINDS[work.kind].phases.get(work.phase, ""))
