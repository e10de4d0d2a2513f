"""What a bank passes on of a payment: who, by which references, with what words, and whether it takes another back."""

from __future__ import annotations

from billing.rules.bank.elements import Element, account_in, at, every, first, text_at, words


class About:
    """What an entry or a payment of it says about itself: who, by which references, and with what words."""

    def __init__(self, element: Element, *, is_credit: bool) -> None:
        self.element = element
        end_to_end = text_at(element, "Refs/EndToEndId")[:35]
        self.end_to_end = "" if end_to_end.upper().replace(" ", "") == "NOTPROVIDED" else end_to_end
        strd = every(element, "RmtInf/Strd")
        self.references = _several(strd, "CdtrRefInf/Ref") or _several(strd, "CdtrRefInf/CdtrRef")
        self.documents = _several(strd, "RfrdDocInf/Nb") or _several(strd, "RfrdDocInf/RfrdDocNb")
        returned = at(element, "RtrInf")
        if returned is None:  # version 001.01 names it in its own way
            returned = at(element, "RtrdInf")
        self.is_return = returned is not None
        self.reason = "" if returned is None else _reason(returned)
        # Who is at the other end: money that came in is of its debtor, and so is what is taken back of that.
        self.party, self.party_account = self._party("Dbtr" if is_credit or self.is_return else "Cdtr")

    @property
    def remittance(self) -> str:
        texts = [words(one) for one in every(self.element, "RmtInf/Ustrd")]
        texts += [words(one) for one in every(self.element, "RmtInf/Strd/AddtlRmtInf")]
        # Only one reference has a place of its own, so that the others stay findable among the words.
        texts += [*self.references[1:], *self.documents]
        return " ".join(one for one in texts if one) or text_at(self.element, "AddtlTxInf")

    def _party(self, role: str) -> tuple[str, str]:
        """Its name and account; some banks say the ultimate one alone."""
        parties = f"RltdPties/{role}", f"RltdPties/Ultmt{role}"
        name = first(self.element, *(f"{one}/{place}Nm" for one in parties for place in ("", "Pty/")))
        return name[:140], account_in(self.element, f"RltdPties/{role}Acct")


def _reason(returned: Element) -> str:
    texts = [first(returned, "Rsn/Cd", "Rsn/Prtry", "RtrRsn/Cd", "RtrRsn/Prtry")]
    texts += [words(one) for one in every(returned, "AddtlInf")]
    return " ".join(one for one in texts if one)[:105]


def _several(elements: list[Element], path: str) -> tuple[str, ...]:
    """The texts at a path in any of the elements, as they stand in the file."""
    found = (words(one) for element in elements for one in every(element, path))
    return tuple(one[:35] for one in found if one)
