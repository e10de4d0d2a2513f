"""The forms of contracts: the contract itself, a site under it, terms from a day on, and notice."""

from __future__ import annotations

from typing import Any

from django import forms

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
    work,
)

INCLUSIONS = 4
OWN_NAME = ("", "The operator's usual issuer")


def _sentences(words: dict[Any, str]) -> Choices:
    return [(str(value), said[0].upper() + said[1:]) for value, said in words.items()]


class ContractForm(GroupedForm):
    """From when and for how long, and the customer's sites that it covers."""

    groups = (
        ("The contract", ("number", "legal_entity")),
        ("Its term", ("starts_on", "term_months", "renewal_months")),
        ("Notice", ("notice_days", "end_rule")),
        ("Its sites", ("sites",)),
    )

    number = fields.text("Number", 30, help_text="As it stands on the paper.")
    starts_on = fields.day("Begins on")
    term_months = fields.number("First term, in months", 600, help_text="0: it runs until notice.")
    renewal_months = fields.number("Goes on for, in months", 600, help_text="0: it ends with its term.")
    notice_days = fields.number("Notice, in days", 3_650)
    end_rule = fields.choice("After notice it ends", _sentences(END_RULES))

    def __init__(self, *args: Any, issuers: Choices, sites: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["legal_entity"] = fields.choice("Issued by", [OWN_NAME, *issuers], required=False)
        self.fields["sites"] = forms.MultipleChoiceField(
            label="Sites that it covers from its first day on",
            choices=sites,
            required=False,
            help_text="Others can join later.",
            widget=forms.CheckboxSelectMultiple,
        )


class ContractSiteForm(forms.Form):
    starts_on = fields.day("From")
    ends_before = fields.day(
        "First day no longer covered", required=False, help_text="Empty: for as long as the contract runs."
    )

    def __init__(self, *args: Any, sites: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["site"] = fields.choice("Site", [("", "Choose the site"), *sites])
        self.order_fields(["site", "starts_on", "ends_before"])


class EndSiteForm(forms.Form):
    ends_before = fields.day("First day no longer covered")


class NoticeForm(forms.Form):
    given_on = fields.day("Notice came on", help_text="The day on which it reached the other side.")
    ends_before = fields.day(
        "First day no longer covered, if both sides agreed on one",
        required=False,
        help_text="Empty: the contract's own rule says when it ends.",
    )


class TermsForm(GroupedForm):
    """All terms of a contract from a day on; a new set replaces the one before from that day."""

    groups = (
        ("From when", ("effective_from",)),
        ("What is billed", ("mode", "cycle_months", "in_advance", "base_units", "proration")),
        ("At the least", ("visit_minimum", "invoice_minimum")),
        ("Installation and visits", ("install_waived", "claw_back_months", "not_admitted")),
        ("Giving back", ("credits_missed", "make_good_days", "credit_as")),
    )

    effective_from = fields.day("In force from", help_text="A day of a month that is not closed.")
    mode = fields.choice("Billed is", _sentences(MODES))
    cycle_months = fields.choice("How often", [(str(n), said) for n, said in CYCLES.items()])
    in_advance = fields.tick("In advance")
    base_units = fields.number(
        "Units in the base fee", 100_000, required=False, help_text="For a base fee only."
    )
    proration = fields.choice("A part of a month costs", _sentences(PRORATIONS))
    visit_minimum = fields.amount("A day's visits to a site", required=False, help_text="Empty: no minimum.")
    invoice_minimum = fields.amount("An invoice before tax", required=False, help_text="Empty: no minimum.")
    install_waived = fields.tick("Installation is free")
    claw_back_months = fields.number(
        "Months it is paid back for",
        600,
        required=False,
        help_text="When a site leaves earlier. 0 or empty: never.",
    )
    not_admitted = fields.choice("When a crew is not let in", _sentences(NOT_ADMITTED))
    credits_missed = fields.tick("A service missed by our fault is credited")
    make_good_days = fields.number("Made good within, in days of the due day", 365, required=False)
    credit_as = fields.choice("What is given back comes", _sentences(CREDITS))

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

    event_type = fields.choice(
        "Work",
        [
            ("", "None"),
            *sorted(((kind, work(kind).capitalize()) for kind in CHARGEABLE_TYPES), key=lambda one: one[1]),
        ],
        required=False,
    )
    count = fields.number("How many", 10_000, least=1, required=False)
    per = fields.choice("Per", [("unit", "unit"), ("site", "site")], required=False)
    every = fields.choice("Every", [("year", "contract year"), ("month", "month")], required=False)

    def clean(self) -> dict[str, Any]:
        values = self.cleaned_data
        if values.get("event_type") and values.get("count") is None and "count" not in self.errors:
            self.add_error("count", "Say how many are in the fee.")
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
