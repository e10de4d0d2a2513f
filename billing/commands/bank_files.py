"""A bank's statements: what would become of them, taking them in, and settling by hand what did not match."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from hashlib import sha256
from uuid import UUID

import accounts.queries
from accounts import clock, tenancy
from accounts.errors import BadInput, Conflict, NotFound, Problem, TooLarge, pointing_at_one
from accounts.ids import uuid7
from accounts.languages import N_, _
from accounts.permissions import Actor, Permission, require
from billing.commands.numbering import locked_series
from billing.commands.payments import MOST_REFERENCE, NewPayment, store_payments
from billing.commands.returning import take_back
from billing.models import BankEntry, BankStatement, Payment
from billing.queries import refunds, settling
from billing.queries.bank import entries, judging
from billing.queries.bank.judging import Judging, Look, StatementLook
from billing.queries.wording import in_operators_words
from billing.rules.bank import camt
from billing.rules.bank.matching import Fate, said
from billing.rules.bank.statements import Movement, Statement
from billing.rules.dating import day_text

MOST_REASON, MOST_FILE_NAME, MOST_WHY = 300, 200, 300
OPEN_STATES = ("unmatched", "set_aside")
STATES_WORDS = {
    "booked": N_("booked"),
    "part_booked": N_("booked, part of it kept"),
    "unmatched": N_("not matched"),
    "set_aside": N_("set aside"),
    "returned": N_("taken back"),
}


@dataclass(frozen=True, slots=True)
class BankFile:
    """A file as it came; ``legal_entity`` is the code of whose account it is, where no issuer names it as its own."""

    content: bytes
    name: str = ""
    legal_entity: str = ""

    @property
    def sha256(self) -> str:
        return sha256(self.content).hexdigest()


def preview_bank_file(*, actor: Actor, file: BankFile) -> list[StatementLook]:
    """What would become of each movement of a file, were it taken in now. Nothing is stored.

    BadInput (or TooLarge) for what is no camt.053, does not add up, lies ahead, or of which it is not clear whose account
    it is; NotFound for a legal entity that is not there.
    """
    require(actor, Permission.PAYMENTS_RECORD)
    with tenancy.reading(actor):
        found = _read(file)
        judge = Judging(found, legal_entity=file.legal_entity)
        looks = [judge.judge(one) for one in found]
        return [_with_suggestions(one) for one in looks]


def import_bank_file(*, actor: Actor, file: BankFile) -> list[StatementLook]:
    """Take in the statements of a file, each whole or not at all, and book the payments that name what they pay.

    What was taken in before stays as it is, so the same file again books nothing. Refusals as for
    ``preview_bank_file``, and then nothing of the file is taken in.
    """
    require(actor, Permission.PAYMENTS_RECORD)
    with tenancy.reading(actor):
        found = _read(file)
        for statement in found:
            judging.entity_of(statement.account, file.legal_entity)
    taken = [_take_in(actor, file, statement) for statement in found]
    with tenancy.reading(actor):
        return [_with_suggestions(one) for one in taken]


def _read(file: BankFile) -> list[Statement]:
    """Inside the scope: the statements of a file, none of which lies ahead."""
    try:
        found = camt.read(file.content)
    except camt.Unfit as unfit:
        where = "" if unfit.statement is None else f"/statements/{unfit.statement}"
        kind = TooLarge if unfit.code == "too-large" else BadInput
        raise kind(
            _("{detail} Nothing was taken in.", detail=unfit.detail),
            errors=[Problem(where, unfit.code, unfit.detail)],
        ) from None
    today = clock.today(accounts.queries.get_operator().zone)
    for index, statement in enumerate(found):
        ahead = next((one.booked_on for one in statement.movements if one.booked_on > today), None)
        if ahead is not None:
            detail = _(
                "Statement {id} has an entry of {day}, which is still to come.",
                id=statement.statement_id,
                day=day_text(ahead),
            )
            raise BadInput(
                _("{detail} Nothing was taken in.", detail=detail),
                errors=[Problem(f"/statements/{index}", "in-future", detail)],
            )
    return found


def _with_suggestions(look: StatementLook) -> StatementLook:
    """What did not match, with what it may be."""
    open_at = [at for at, one in enumerate(look.looks) if one.verdict.fate is Fate.UNMATCHED]
    if not open_at:
        return look
    looks = list(look.looks)
    may_be = judging.suggested([looks[at].movement for at in open_at])
    for at, suggestions in zip(open_at, may_be, strict=True):
        looks[at] = replace(looks[at], suggestions=suggestions)
    return replace(look, looks=looks)


def _take_in(actor: Actor, file: BankFile, statement: Statement) -> StatementLook:
    with tenancy.writing(actor):
        # Under this lock nothing else is paid or issued, so what was open when it was judged still is.
        locked_series()
        with in_operators_words():
            look = Judging([statement], legal_entity=file.legal_entity).judge(statement)
        fresh = [one for one in look.looks if one.verdict.fate is not Fate.DUPLICATE]
        row = _same(statement)
        if not fresh:
            return replace(look, row=row)
        first = 0 if row is None else entries.next_ordinal(row.id)
        row = row or _stored_statement(actor, file, look)
        payments = _paid(actor, look, fresh)
        made = [_entry(row, one, payments.get(one.key), first + index) for index, one in enumerate(fresh)]
        BankEntry.objects.bulk_create(made)
        by_key = {entry.key: entry for entry in made}
        looks = [replace(one, entry=one.entry or by_key.get(one.key)) for one in look.looks]
        return replace(look, looks=looks, row=row)


def _same(statement: Statement) -> BankStatement | None:
    return entries.same_statement(
        statement.account, statement.statement_id, statement.closing, statement.until
    )


def _stored_statement(actor: Actor, file: BankFile, look: StatementLook) -> BankStatement:
    statement = look.statement
    names = ("message_id", "statement_id", "account", "currency", "since", "until", "opening", "closing")
    return BankStatement.objects.create(
        file_sha256=file.sha256,
        file_name=file.name[:MOST_FILE_NAME],
        legal_entity=look.entity,
        imported_at=clock.now(),
        imported_by=actor.id,
        **{name: getattr(statement, name) for name in names},
    )


def _paid(actor: Actor, look: StatementLook, fresh: Sequence[Look]) -> dict[str, Payment]:
    """The payments of what names what it pays, recorded and booked, by the keys of their movements."""
    certain = [one for one in fresh if one.verdict.fate in {Fate.BOOKED, Fate.PART_BOOKED}]
    new = [
        NewPayment(
            customer_id=one.verdict.customer_id,
            received_on=one.movement.booked_on,
            amount=one.movement.amount,
            currency=one.movement.currency,
            reference=_reference(one.movement),
            external_id=external_id(one.key),
            allocations=one.verdict.parts,
            legal_entity=look.entity.code if look.entity else "",
        )
        for one in certain
        if one.verdict.customer_id is not None
    ]
    recorded = store_payments(new, recorded_by=actor.id)
    return {one.key: payment for one, payment in zip(certain, recorded, strict=True)}


def external_id(key: str) -> str:
    """The name under which a payment is known that came with a movement of this key."""
    return f"bank:{key}"


def _reference(movement: Movement) -> str:
    said_by_payer = (*movement.references[:1], movement.remittance, movement.end_to_end, movement.party)
    return next((text for text in said_by_payer if text), "")[:MOST_REFERENCE]


def _entry(row: BankStatement, look: Look, payment: Payment | None, ordinal: int) -> BankEntry:
    movement, verdict = look.movement, look.verdict
    names = (
        "booked_on",
        "value_on",
        "amount",
        "currency",
        "end_to_end",
        "remittance",
        "party",
        "party_account",
    )
    return BankEntry(
        id=uuid7(),
        statement=row,
        ordinal=ordinal,
        key=look.key,
        credit=movement.is_credit,
        bank_reference=movement.bank_reference[:80],
        reference=next(iter(movement.references), ""),
        state=str(verdict.fate),
        why=verdict.why[:MOST_WHY],
        payment=payment,
        settled_at=clock.now() if payment else None,
        **{name: getattr(movement, name) for name in names},
    )


# By hand


def assign_entry(
    *,
    actor: Actor,
    entry_id: UUID,
    customer_id: UUID | None = None,
    allocations: Sequence[tuple[str, Decimal]] = (),
) -> BankEntry:
    """Record a movement that came in as a payment: of a customer, or of whose documents it settles; the rest is kept.

    NotFound for an entry, customer or document that is not there; BadInput if neither is named, or for money that went
    out; Conflict if it is booked already, or for more than is left of a document or of the movement.
    """
    require(actor, Permission.PAYMENTS_RECORD)
    with tenancy.writing(actor):
        locked_series()
        entry = _locked(entry_id)
        _refuse_settled(entry)
        if not entry.credit or not entry.amount:
            raise BadInput(_("Only money that came in is a payment. Nothing was recorded."))
        payment = _payment_of(actor, entry, customer_id, allocations)
        kept = entry.amount - sum((amount for _number, amount in allocations), Decimal(0))
        with in_operators_words():
            why = _assigned(entry, [number for number, _amount in allocations], kept)
        return _settle(actor, entry, "part_booked" if kept else "booked", why, payment=payment)


def _payment_of(
    actor: Actor, entry: BankEntry, customer_id: UUID | None, allocations: Sequence[tuple[str, Decimal]]
) -> Payment:
    entity = entry.statement.legal_entity
    new = NewPayment(
        customer_id=customer_id or _payer(allocations),
        received_on=entry.booked_on,
        amount=entry.amount,
        currency=entry.currency,
        reference=_reference(entries.movement_of(entry)),
        external_id=external_id(entry.key),
        allocations=allocations,
        # A document says itself whose it is; another than the account is of is then a person's own decision.
        legal_entity="" if allocations or entity is None else entity.code,
    )
    with pointing_at_one():
        return store_payments([new], recorded_by=actor.id)[0]


def _payer(allocations: Sequence[tuple[str, Decimal]]) -> UUID:
    if not allocations:
        detail = _("Say which customer it came from, or which documents it pays.")
        raise BadInput(
            _("{detail} Nothing was recorded.", detail=detail),
            errors=[Problem("/customer", "required", detail)],
        )
    number = allocations[0][0]
    debt = settling.debts_by_number([number]).get(number)
    if debt is None:
        detail = _("There is no invoice or opening debt here with this number.")
        raise NotFound(
            _("{detail} Nothing was recorded.", detail=detail),
            errors=[Problem("/allocations/0/document", "not-found", detail)],
        )
    return debt.customer_id


def _assigned(entry: BankEntry, numbers: Sequence[str], kept: Decimal) -> str:
    if not numbers:
        return _("Assigned by hand; it is kept for the customer.")
    listed = ", ".join(numbers)
    if kept:
        rest = said(kept, entry.currency)
        return _("Assigned by hand to {numbers}; {rest} is kept for the customer.", numbers=listed, rest=rest)
    return _("Assigned by hand to {numbers}.", numbers=listed)


def set_entry_aside(*, actor: Actor, entry_id: UUID, reason: str) -> BankEntry:
    """Put away a movement that is no payment of a customer, for a reason of up to 300 characters; booked is nothing.

    NotFound if it is not there, BadInput without a reason, Conflict if it is booked already. It may be assigned later.
    """
    require(actor, Permission.PAYMENTS_RECORD)
    reason = " ".join(reason.split())
    if not 0 < len(reason) <= MOST_REASON or "\x00" in reason:
        detail = _("Give a reason of up to {most} characters.", most=MOST_REASON)
        raise BadInput(
            _("{detail} Nothing was changed.", detail=detail), errors=[Problem("/reason", "text", detail)]
        )
    with tenancy.writing(actor):
        entry = _locked(entry_id)
        _refuse_settled(entry)
        return _settle(actor, entry, "set_aside", reason)


def return_entry(*, actor: Actor, entry_id: UUID, payment_id: UUID) -> BankEntry:
    """Let a movement that went out take back a payment whole: what it settled is open again.

    Where somebody recorded the return before, the movement is that one, on whatever day. NotFound if either is not
    there; BadInput for money that came in; Conflict if the movement is settled already, if another one took the payment
    back, or if another amount went out than there is to take back.
    """
    require(actor, Permission.PAYMENTS_RECORD)
    with tenancy.writing(actor):
        locked_series()
        entry = _locked(entry_id)
        _refuse_settled(entry)
        if entry.credit:
            raise BadInput(_("Money that came in takes no payment back. Nothing was changed."))
        refund = refunds.return_of(payment_id) or take_back(
            payment_id, entry.booked_on, entry.remittance[:100], external_id(entry.key), recorded_by=actor.id
        )
        if entries.is_settled_by(refund.id):
            raise Conflict(
                _("Another entry of the bank took this payment back already. Nothing was changed.")
            )
        if (refund.amount, refund.currency) != (entry.amount, entry.currency):
            raise Conflict(
                _(
                    "{taken} of the payment is there to take back, and {out} went out. Nothing was changed.",
                    taken=said(refund.amount, refund.currency),
                    out=said(entry.amount, entry.currency),
                )
            )
        with in_operators_words():
            why = _("It took back an earlier payment.")
        return _settle(actor, entry, "returned", why, payment=settling.get_payment(payment_id), refund=refund)


def _locked(entry_id: UUID) -> BankEntry:
    row = BankEntry.objects.select_for_update().filter(id=entry_id).first()
    if row is None:
        raise NotFound(_("There is no bank entry here with this id."))
    return row


def _refuse_settled(entry: BankEntry) -> None:
    if entry.state not in OPEN_STATES:
        raise Conflict(
            _("This entry is settled already: {state}.", state=_(STATES_WORDS[entry.state])),
            errors=[Problem("", "settled", _("Nothing was changed."))],
        )


def _settle(actor: Actor, entry: BankEntry, state: str, why: str, **what: object) -> BankEntry:
    values = {
        "state": state,
        "why": why[:MOST_WHY],
        "settled_at": clock.now(),
        "settled_by": actor.id,
        **what,
    }
    for name, value in values.items():
        setattr(entry, name, value)
    entry.save(update_fields=[*values])
    return entries.get_bank_entry(entry.id)
