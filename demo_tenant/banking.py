"""The bank's last statement of the invented world, as its file: what names its invoice, what does not, and a fee."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal
from uuid import UUID
from xml.sax.saxutils import escape

from accounts import clock, tenancy
from billing.commands.bank_files import BankFile, import_bank_file
from billing.queries import settling
from billing.queries.settling import Standing
from demo_tenant.bargains import draw_bargains
from demo_tenant.opening import member_actor
from demo_tenant.story import Story

SPACE = "urn:iso:std:iso:20022:tech:xsd:camt.053.001.08"
CENT = Decimal("0.01")
OPENING, FEE, UNKNOWN = Decimal("12480.55"), Decimal("-7.90"), Decimal("84.00")
LEAST_DEBTS = 4


@dataclass(frozen=True, slots=True)
class _Movement:
    """Above zero it came in. ``reference`` is structured, ``words`` is what the payer wrote."""

    amount: Decimal
    party: str = ""
    reference: str = ""
    words: str = ""


def take_in_statement(story: Story) -> None:
    """The bookkeeper takes in the file of the day; an operator without a bank account of its own has none."""
    issuer = draw_bargains(story.setting, story.master).entity
    bookkeeper = member_actor(story.master, "bookkeeper")
    with tenancy.reading(bookkeeper):
        debts = [one for one in settling.open_debts() if not one.settled and one.kind == "invoice"]
    day = clock.today(story.master.zone) - timedelta(days=1)
    if not issuer.iban or len(debts) < LEAST_DEBTS:
        return
    names = {customer.id: customer.name for customer in story.master.customers}
    content = _file(issuer.iban, debts[0].currency, day, _movements(debts, names))
    import_bank_file(actor=bookkeeper, file=BankFile(content, f"statement-{day}.xml", "MAIN"))


def _movements(debts: Sequence[Standing], names: dict[UUID, str]) -> list[_Movement]:
    """Of the newest debts: one paid by its number, one in part, one by two digits turned round, one without a word."""
    whole, part, slip, silent = debts[-LEAST_DEBTS:]
    half = (part.left / 2).quantize(CENT, rounding=ROUND_HALF_UP)
    return [
        _Movement(whole.left, names[whole.customer_id], reference=whole.number),
        _Movement(half, names[part.customer_id], words=f"On account of {part.number}, the rest next month"),
        _Movement(
            slip.left, names[slip.customer_id], words=f"Invoice {slip.number[:-2]}{slip.number[:-3:-1]}x"
        ),
        _Movement(silent.left, names[silent.customer_id], words="Thank you"),
        _Movement(UNKNOWN, "Somebody at the market", words="Deposit back"),
        _Movement(FEE, words="Account fee of the month"),
    ]


def _file(iban: str, currency: str, day: date, movements: Sequence[_Movement]) -> bytes:
    closing = OPENING + sum((one.amount for one in movements), Decimal(0))
    entries = "".join(
        _entry(one, currency, day, f"{day:%Y%m%d}-{n}") for n, one in enumerate(movements, start=1)
    )
    return (
        f'<?xml version="1.0" encoding="UTF-8"?><Document xmlns="{SPACE}"><BkToCstmrStmt>'
        f"<GrpHdr><MsgId>DAY-{day:%Y%m%d}</MsgId><CreDtTm>{day}T22:00:00Z</CreDtTm></GrpHdr>"
        f"<Stmt><Id>{day:%Y/%j}</Id><CreDtTm>{day}T22:00:00Z</CreDtTm>"
        f"<Acct><Id><IBAN>{iban}</IBAN></Id><Ccy>{currency}</Ccy></Acct>"
        f"{_balance('OPBD', OPENING, currency, day)}{_balance('CLBD', closing, currency, day)}{entries}"
        "</Stmt></BkToCstmrStmt></Document>"
    ).encode()


def _balance(code: str, amount: Decimal, currency: str, day: date) -> str:
    return (
        f"<Bal><Tp><CdOrPrtry><Cd>{code}</Cd></CdOrPrtry></Tp>{_money(amount, currency)}"
        f"<Dt><Dt>{day}</Dt></Dt></Bal>"
    )


def _money(amount: Decimal, currency: str) -> str:
    way = "CRDT" if amount >= 0 else "DBIT"
    return f'<Amt Ccy="{currency}">{abs(amount)}</Amt><CdtDbtInd>{way}</CdtDbtInd>'


def _entry(one: _Movement, currency: str, day: date, bank: str) -> str:
    said = f"<Ustrd>{escape(one.words)}</Ustrd>" if one.words else ""
    if one.reference:
        kind = "<Tp><CdOrPrtry><Cd>SCOR</Cd></CdOrPrtry></Tp>"
        said = f"<Strd><CdtrRefInf>{kind}<Ref>{one.reference}</Ref></CdtrRefInf></Strd>"
    who = f"<RltdPties><Dbtr><Pty><Nm>{escape(one.party)}</Nm></Pty></Dbtr></RltdPties>" if one.party else ""
    details = (
        f"<TxDtls><Refs><EndToEndId>NOTPROVIDED</EndToEndId></Refs>{who}<RmtInf>{said}</RmtInf></TxDtls>"
    )
    return (
        f"<Ntry>{_money(one.amount, currency)}<Sts><Cd>BOOK</Cd></Sts><BookgDt><Dt>{day}</Dt></BookgDt>"
        f"<ValDt><Dt>{day}</Dt></ValDt><AcctSvcrRef>{bank}</AcctSvcrRef><BkTxCd><Prtry><Cd>166</Cd></Prtry></BkTxCd>"
        f"<NtryDtls>{details}</NtryDtls></Ntry>"
    )
