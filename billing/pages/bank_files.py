"""Bank statements on pages: a file is looked at first, then taken in; what did not match is settled entry by entry."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any
from uuid import UUID

from django import forms
from django.core import signing
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

import accounts.queries
from accounts import tenancy
from accounts.errors import BadInput, Refusal
from accounts.languages import N_, _
from accounts.pages import OperatorRequest, operator_page, say
from accounts.permissions import Permission
from billing.commands import bank_files
from billing.commands.bank_files import MOST_REASON, OPEN_STATES, STATES_WORDS, BankFile
from billing.models import BankEntry
from billing.pages import fields
from billing.queries import parties, settling
from billing.queries.bank import entries, judging
from billing.queries.bank.judging import StatementLook
from billing.rules.bank.camt import MOST_BYTES
from billing.rules.bank.matching import HINTS, Suggestion

PAGE_SIZE, MOST_SHOWN = 50, 500
# Between the look and the import the file waits in the form itself, packed; a form is of up to a million bytes.
MOST_PACKED = 900_000
SALT = "billing.bank_files"
FATES = {**STATES_WORDS, "duplicate": N_("taken in before")}
DONE = {
    "taken": N_("The file is taken in."),
    "known": N_("Nothing in the file was new, so nothing changed."),
    "assigned": N_("The payment is recorded."),
    "aside": N_("The entry is set aside."),
    "returned": N_("The payment is taken back; what it settled is open again."),
}
_BETWEEN = re.compile(r"[\s,;]+")


class FileForm(forms.Form):
    file = forms.FileField(
        label=fields.later(N_("Statement of the bank")),
        help_text=fields.later(N_("The day's statement as XML, camt.053 of ISO 20022, up to 5 MB.")),
        widget=forms.FileInput(attrs={"accept": ".xml,application/xml,text/xml"}),
        error_messages=dict.fromkeys(("required", "empty"), fields.later(N_("Choose the file."))),
    )

    def __init__(self, *args: Any, issuers: Sequence[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if len(issuers) > 1:
            self.fields["legal_entity"] = fields.choice(
                N_("Of the issuer"), [("", _("As the account says")), *issuers], required=False
            )

    def clean_file(self) -> BankFile:
        sent = self.cleaned_data["file"]
        # One byte more than allowed tells a file that is too large.
        return BankFile(sent.read(MOST_BYTES + 1), str(sent.name))


class AssignForm(forms.Form):
    documents = fields.text(
        N_("Documents it pays"),
        400,
        required=False,
        help_text=N_("Their numbers, the first one first; what is over is kept for the customer."),
    )
    customer = fields.text(
        N_("Customer"), 200, required=False, help_text=N_("Code or name; only where no document says it.")
    )

    @property
    def numbers(self) -> list[str]:
        typed = _BETWEEN.split(self.cleaned_data["documents"])
        return list(dict.fromkeys(number for number in typed if number))


class AsideForm(forms.Form):
    reason = fields.text(
        N_("Why it is no payment of a customer"),
        MOST_REASON,
        help_text=N_("Such as: a loan, interest, our own transfer."),
    )


@operator_page(Permission.PAYMENTS_READ)
def bank(request: OperatorRequest) -> HttpResponse:
    """What waits for a person, and the statements that were taken in."""
    return _show(request, _file_form(request))


@operator_page(Permission.PAYMENTS_RECORD, "GET", "HEAD", "POST")
def preview(request: OperatorRequest) -> HttpResponse:
    """What would become of each entry of a file. Nothing is stored."""
    if request.method != "POST":
        return redirect("bank", slug=request.operator.slug)
    form = _file_form(request, request.POST, request.FILES)
    if not form.is_valid():
        return _show(request, form, status=422)
    file: BankFile = form.cleaned_data["file"]
    file = BankFile(file.content, file.name, form.cleaned_data.get("legal_entity", ""))
    try:
        looks = bank_files.preview_bank_file(actor=request.actor, file=file)
        packed = _packed(request, file)
    except Refusal as refusal:
        at_issuer = any(one.pointer == "/legal_entity" for one in refusal.errors)
        form.add_error(
            "legal_entity" if at_issuer and "legal_entity" in form.fields else "file", refusal.detail
        )
        return _show(request, form, status=refusal.status)
    return render(
        request, "billing/bank_preview.html", {**_told(request, looks), "packed": packed, "file": file}
    )


@operator_page(Permission.PAYMENTS_RECORD, "POST")
def take_in(request: OperatorRequest) -> HttpResponse:
    """Take in the file that was looked at. Sent twice it finds its entries there."""
    looks = bank_files.import_bank_file(actor=request.actor, file=_unpacked(request))
    done = "taken" if any(set(look.counts) != {"duplicate"} for look in looks if look.counts) else "known"
    rows = [look.row for look in looks if look.row is not None]
    address = reverse("bank", args=[request.operator.slug])
    if len(looks) == len(rows) == 1:
        address = reverse("bank-statement", args=[request.operator.slug, rows[0].id])
    return redirect(f"{address}?done={done}")


@operator_page(Permission.PAYMENTS_READ)
def statement(request: OperatorRequest, statement_id: UUID) -> HttpResponse:
    """One statement that was taken in, with each of its entries."""
    with tenancy.reading(request.actor):
        row = entries.get_bank_statement(statement_id)
        part = Paginator(entries.entries_of(row.id), MOST_SHOWN).get_page(request.GET.get("page"))
        page = {
            "statement": row,
            "rows": [_row(entry) for entry in part.object_list],
            "part": part,
            "counts": _counts(entries.states_of([row.id])[row.id]),
            "done": _(DONE.get(request.GET.get("done", ""), "")),
        }
    return render(request, "billing/bank_statement.html", page)


@operator_page(Permission.PAYMENTS_READ)
def entry(request: OperatorRequest, entry_id: UUID) -> HttpResponse:
    """One entry: what is known of it, what it may pay, and what can be done with it."""
    return _show_entry(request, entry_id)


@operator_page(Permission.PAYMENTS_RECORD, "POST")
def assign(request: OperatorRequest, entry_id: UUID) -> HttpResponse:
    """Record the entry as a payment of the documents or of the customer that were typed."""
    form = AssignForm(request.POST)
    if not form.is_valid():
        return _show_entry(request, entry_id, assign=form, status=422)
    with tenancy.reading(request.actor):
        found = entries.get_bank_entry(entry_id)
        allocations = _allocations(form, found.amount)
        customer_id = _customer(form)
    if form.errors:
        return _show_entry(request, entry_id, assign=form, status=422)
    try:
        bank_files.assign_entry(
            actor=request.actor, entry_id=entry_id, customer_id=customer_id, allocations=allocations
        )
    except Refusal as refusal:
        _say_beside(form, refusal)
        return _show_entry(request, entry_id, assign=form, status=refusal.status)
    return _done(request, entry_id, "assigned")


@operator_page(Permission.PAYMENTS_RECORD, "POST")
def set_aside(request: OperatorRequest, entry_id: UUID) -> HttpResponse:
    """Put an entry away that is no payment of a customer."""
    form = AsideForm(request.POST)
    if not form.is_valid():
        return _show_entry(request, entry_id, aside=form, status=422)
    try:
        bank_files.set_entry_aside(actor=request.actor, entry_id=entry_id, reason=form.cleaned_data["reason"])
    except Refusal as refusal:
        say(form, refusal)
        return _show_entry(request, entry_id, aside=form, status=refusal.status)
    return _done(request, entry_id, "aside")


@operator_page(Permission.PAYMENTS_RECORD, "POST")
def take_back(request: OperatorRequest, entry_id: UUID, payment_id: UUID) -> HttpResponse:
    """Let an entry that went out take a payment back."""
    try:
        bank_files.return_entry(actor=request.actor, entry_id=entry_id, payment_id=payment_id)
    except Refusal as refusal:
        return _show_entry(request, entry_id, refusal=refusal, status=refusal.status)
    return _done(request, entry_id, "returned")


def _done(request: OperatorRequest, entry_id: UUID, done: str) -> HttpResponse:
    return redirect(f"{reverse('bank-entry', args=[request.operator.slug, entry_id])}?done={done}")


# What is typed


def _file_form(request: OperatorRequest, *sent: Any) -> FileForm:
    with tenancy.reading(request.actor):
        issuers = [(one.code, one.legal_name) for one in parties.legal_entities()]
    return FileForm(*sent, issuers=issuers)


def _allocations(form: AssignForm, amount: Decimal) -> list[tuple[str, Decimal]]:
    """Inside the scope: the documents that were typed, each as far as the money reaches."""
    debts = settling.debts_by_number(form.numbers)
    parts = []
    for number in form.numbers:
        if number not in debts:
            form.add_error(
                "documents", _("There is no invoice or opening debt with the number {number}.", number=number)
            )
        elif not debts[number].left:
            form.add_error("documents", _("Nothing is left to pay of {numbers}.", numbers=number))
        elif (part := min(amount, debts[number].left)) > 0:
            parts.append((number, part))
            amount -= part
    return parts


def _customer(form: AssignForm) -> UUID | None:
    typed = form.cleaned_data["customer"].strip()
    if not typed:
        return None
    customers = accounts.queries.customers()
    found = list(customers.filter(code=typed)[:1]) or list(customers.filter(name__iexact=typed)[:2])
    if len(found) == 1:
        return found[0].id
    many = _("More than one customer has this name. Give the code.")
    form.add_error("customer", many if found else _("There is no customer with this code or name."))
    return None


def _say_beside(form: AssignForm, refusal: Refusal) -> None:
    """A problem of a document beside the documents, one of the customer beside that, any other above."""
    for problem in refusal.errors:
        if problem.pointer.startswith("/allocations"):
            form.add_error("documents", problem.detail)
            return
        if problem.pointer == "/customer":
            form.add_error("customer", problem.detail)
            return
    form.add_error(None, refusal.detail)


def _packed(request: OperatorRequest, file: BankFile) -> str:
    # Every byte is a letter of this encoding, so that nothing is lost whatever the file is written in.
    content = file.content.decode("latin-1")
    value = [str(request.operator.id), file.name, file.legal_entity, content]
    packed = signing.dumps(value, salt=SALT, compress=True)
    if len(packed) > MOST_PACKED:
        raise BadInput(_("This is too much for one file. Ask the bank for statements of single days."))
    return packed


def _unpacked(request: OperatorRequest) -> BankFile:
    try:
        operator_id, name, legal_entity, content = signing.loads(request.POST.get("packed", ""), salt=SALT)
    except (signing.BadSignature, ValueError):
        operator_id = name = legal_entity = content = ""
    if operator_id != str(request.operator.id):
        raise BadInput(_("This form is out of order, so nothing was taken in. Send the file again."))
    return BankFile(content.encode("latin-1"), name, legal_entity)


# What is shown


def _show(request: OperatorRequest, form: FileForm, *, status: int = 200) -> HttpResponse:
    with tenancy.reading(request.actor):
        waiting = list(entries.waiting()[:PAGE_SIZE])
        part = Paginator(entries.bank_statements().order_by("-id"), PAGE_SIZE).get_page(
            request.GET.get("page")
        )
        rows = list(part.object_list)
        states = entries.states_of([row.id for row in rows])
        page = {
            "form": form,
            "waiting": [_row(one) for one in waiting],
            "waiting_in_all": entries.waiting_count(),
            "statements": [(row, _counts(states[row.id])) for row in rows],
            "part": part,
            "may_record": request.actor.may(Permission.PAYMENTS_RECORD),
            "done": _(DONE.get(request.GET.get("done", ""), "")),
        }
    return render(request, "billing/bank.html", page, status=status)


def _show_entry(
    request: OperatorRequest,
    entry_id: UUID,
    *,
    assign: AssignForm | None = None,
    aside: AsideForm | None = None,
    refusal: Refusal | None = None,
    status: int = 200,
) -> HttpResponse:
    with tenancy.reading(request.actor):
        row = entries.get_bank_entry(entry_id)
        is_open = row.state in OPEN_STATES
        suggested = judging.suggested([entries.movement_of(row)])[0] if is_open else []
        page = {
            "one": row,
            "state": _(STATES_WORDS[row.state]),
            "suggestions": _suggested(
                suggested, accounts.queries.customers_in({one.customer_id for one in suggested})
            ),
            "payments": entries.payments_taken_back(row) if is_open else [],
            "is_open": is_open and request.actor.may(Permission.PAYMENTS_RECORD),
            "assign": assign or AssignForm(),
            "aside": aside or AsideForm(),
            "refusal": refusal,
            "done": _(DONE.get(request.GET.get("done", ""), "")),
        }
    return render(request, "billing/bank_entry.html", page, status=status)


def _suggested(found: Sequence[Suggestion], customers: Mapping[UUID, Any]) -> list[dict[str, Any]]:
    """Suggestions with their customers, and why."""
    return [
        {
            "customer": customers[one.customer_id],
            "number": one.number,
            "left": one.left,
            "why": "; ".join(_(HINTS[hint]) for hint in one.hints),
        }
        for one in found
    ]


def _row(one: BankEntry) -> dict[str, Any]:
    return {
        "one": one,
        "signed": one.amount if one.credit else -one.amount,
        "state": _(STATES_WORDS[one.state]),
    }


def _counts(counts: Mapping[str, int]) -> list[tuple[str, int]]:
    """How many entries are in which state, in words, in the order that a person asks."""
    return [(_(word), counts[state]) for state, word in FATES.items() if counts.get(state)]


def _told(request: OperatorRequest, looks: Sequence[StatementLook]) -> dict[str, Any]:
    """What a preview shows of each statement: first what waits for a person."""
    all_looks = [look for one in looks for look in one.looks]
    ids = {look.verdict.customer_id for look in all_looks if look.verdict.customer_id}
    ids |= {one.customer_id for look in all_looks for one in look.suggestions}
    with tenancy.reading(request.actor):
        customers = accounts.queries.customers_in(ids)
    told = [_statement(one, customers) for one in looks]
    return {"statements": told, "new": sum(one["new"] for one in told)}


def _statement(look: StatementLook, customers: Mapping[UUID, Any]) -> dict[str, Any]:
    # What waits comes first, then what is booked, so that nobody has to look for it.
    ranks = {"unmatched": 0, "part_booked": 1, "booked": 2, "set_aside": 3, "duplicate": 4}
    ordered = sorted(look.looks, key=lambda one: ranks[str(one.verdict.fate)])
    rows = [
        {
            "movement": one.movement,
            "signed": one.movement.signed,
            "fate": _(FATES[str(one.verdict.fate)]),
            "why": one.verdict.why,
            "customer": customers.get(one.verdict.customer_id) if one.verdict.customer_id else None,
            "suggestions": _suggested(one.suggestions, customers),
        }
        for one in ordered[:MOST_SHOWN]
    ]
    return {
        "statement": look.statement,
        "entity": look.entity,
        "gap": look.gap,
        "rows": rows,
        "hidden": max(0, len(ordered) - MOST_SHOWN),
        "counts": _counts(look.counts),
        "new": len(look.looks) - look.counts["duplicate"],
        "pending": [{"movement": one, "signed": one.signed} for one in look.statement.pending[:MOST_SHOWN]],
    }
