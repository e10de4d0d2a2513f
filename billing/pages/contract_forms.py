"""The forms of contracts: the contract itself, a site under it, terms from a day on, and notice."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django import forms
from django.utils.functional import lazy

from accounts.languages import N_, _
from billing.pages import fields
from billing.pages.fields import Choices, GroupedForm
from billing.rules.dispositions import CHARGEABLE_TYPES
from billing.rules.terms_words import (
    CREDITS,
    CYCLES,
    END_RULES,
    MODES,
    NOT_ADMITTED,
    PRORATIONS,
    WORK,
)

INCLUSIONS = 4


def _sentence(word: str) -> str:
    said = _(word)
    return said[:1].upper() + said[1:]


_later: Any = lazy(_sentence, str)


def sentences(words: Mapping[Any, str]) -> Choices:
    """Choices of our words, each with a capital letter."""
    return [(str(value), _later(word)) for value, word in words.items()]


def kinds_of_work() -> Choices:
    """What a price or an inclusion may be of, in the order of its words."""
    known = [(kind, _sentence(WORK.get(kind, kind))) for kind in CHARGEABLE_TYPES]
    return [("", _("None")), *sorted(known, key=lambda one: one[1])]


class ContractForm(GroupedForm):
    """From when and for how long, and the customer's sites that it covers."""

    groups = (
        (N_("The contract"), ("number", "legal_entity")),
        (N_("Its term"), ("starts_on", "term_months", "renewal_months")),
        (N_("Notice"), ("notice_days", "end_rule")),
        (N_("Its sites"), ("sites",)),
    )

    number = fields.text(N_("Number"), 30, help_text=N_("As it stands on the paper."))
    starts_on = fields.day(N_("Begins on"))
    term_months = fields.number(N_("First term, in months"), 600, help_text=N_("0: it runs until notice."))
    renewal_months = fields.number(
        N_("Goes on for, in months"), 600, help_text=N_("0: it ends with its term.")
    )
    notice_days = fields.number(N_("Notice, in days"), 3_650)
    end_rule = fields.choice(N_("After notice it ends"), sentences(END_RULES))

    def __init__(self, *args: Any, issuers: Choices, sites: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["legal_entity"] = fields.choice(
            N_("Issued by"), [("", _("The operator's usual issuer")), *issuers], required=False
        )
        self.fields["sites"] = forms.MultipleChoiceField(
            label=_("Sites that it covers from its first day on"),
            choices=sites,
            required=False,
            help_text=_("Others can join later."),
            widget=forms.CheckboxSelectMultiple,
        )


class ContractSiteForm(forms.Form):
    starts_on = fields.day(N_("From"))
    ends_before = fields.day(
        N_("First day no longer covered"),
        required=False,
        help_text=N_("Empty: for as long as the contract runs."),
    )

    def __init__(self, *args: Any, sites: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["site"] = fields.choice(N_("Site"), [("", _("Choose the site")), *sites])
        self.order_fields(["site", "starts_on", "ends_before"])


class EndSiteForm(forms.Form):
    ends_before = fields.day(N_("First day no longer covered"))


class NoticeForm(forms.Form):
    given_on = fields.day(N_("Notice came on"), help_text=N_("The day on which it reached the other side."))
    ends_before = fields.day(
        N_("First day no longer covered, if both sides agreed on one"),
        required=False,
        help_text=N_("Empty: the contract's own rule says when it ends."),
    )


class TermsForm(GroupedForm):
    """All terms of a contract from a day on; a new set replaces the one before from that day."""

    groups = (
        (N_("From when"), ("effective_from",)),
        (N_("What is billed"), ("mode", "cycle_months", "in_advance", "base_units", "proration")),
        (N_("At the least"), ("visit_minimum", "invoice_minimum")),
        (N_("Installation and visits"), ("install_waived", "claw_back_months", "not_admitted")),
        (N_("Giving back"), ("credits_missed", "make_good_days", "credit_as")),
    )

    effective_from = fields.day(N_("In force from"), help_text=N_("A day of a month that is not closed."))
    mode = fields.choice(N_("Billed is"), sentences(MODES))
    cycle_months = fields.choice(N_("How often"), fields.words((str(n), said) for n, said in CYCLES.items()))
    in_advance = fields.tick(N_("In advance"))
    base_units = fields.number(
        N_("Units in the base fee"), 100_000, required=False, help_text=N_("For a base fee only.")
    )
    proration = fields.choice(N_("A part of a month costs"), sentences(PRORATIONS))
    visit_minimum = fields.amount(
        N_("A day's visits to a site"), required=False, help_text=N_("Empty: no minimum.")
    )
    invoice_minimum = fields.amount(
        N_("An invoice before tax"), required=False, help_text=N_("Empty: no minimum.")
    )
    install_waived = fields.tick(N_("Installation is free"))
    claw_back_months = fields.number(
        N_("Months it is paid back for"),
        600,
        required=False,
        help_text=N_("When a site leaves earlier. 0 or empty: never."),
    )
    not_admitted = fields.choice(N_("When a crew is not let in"), sentences(NOT_ADMITTED))
    credits_missed = fields.tick(N_("A service missed by our fault is credited"))
    make_good_days = fields.number(N_("Made good within, in days of the due day"), 365, required=False)
    credit_as = fields.choice(N_("What is given back comes"), sentences(CREDITS))

    def clean_cycle_months(self) -> int:
        return int(self.cleaned_data["cycle_months"])

    def clean(self) -> dict[str, Any]:
        values = self.cleaned_data
        for name in ("base_units", "claw_back_months", "make_good_days"):
            if name in values and values[name] is None:
                values[name] = 0
        return values


class InclusionForm(forms.Form):
    """One kind of work that is in the fee; a row without a kind says nothing."""

    event_type = fields.choice(N_("Work"), [], required=False)
    count = fields.number(N_("How many"), 10_000, least=1, required=False)
    per = fields.choice(N_("Per"), fields.words([("unit", N_("unit")), ("site", N_("site"))]), required=False)
    every = fields.choice(
        N_("Every"), fields.words([("year", N_("contract year")), ("month", N_("month"))]), required=False
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["event_type"].choices = kinds_of_work()  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        values = self.cleaned_data
        if values.get("event_type") and values.get("count") is None and "count" not in self.errors:
            self.add_error("count", _("Say how many are in the fee."))
        return values


def inclusion_forms(data: Any = None, stored: Any = ()) -> list[InclusionForm]:
    """Rows for what is in the fee, some of them empty."""
    rows = max(INCLUSIONS, len(stored) + 1)
    return [
        InclusionForm(
            data,
            prefix=f"in-{at}",
            initial=stored[at] if at < len(stored) else {"per": "unit", "every": "year"},
        )
        for at in range(rows)
    ]


def inclusions_of(rows: list[InclusionForm]) -> list[dict[str, Any]]:
    return [row.cleaned_data for row in rows if row.cleaned_data.get("event_type")]
