"""Why the advice on a wick is what it is, in one sentence."""

from __future__ import annotations

from servicing.rules.nonsense import Nonsense

_DOING = {"wait": "waiting", "wash": "washing", "change": "changing"}
_TO_DO = {"wait": "leave the wick in", "wash": "wash the wick", "change": "change the wick"}
_SEEN = {
    "left_over": "Most of the liquid was still there at the last exchange",
    "condition": "The wick was no longer good when it was last looked at",
    "limit": "The wick has reached the age at which it is changed in any case",
    "drift": "The unit has been giving less than expected",
}


def wick_sentence(chance: float | None, by_day_text: str, saving_text: str, action: str, reason: str) -> str:
    """Such as "32 % chance of failing before 14 May; changing now saves 3.10."; "" where nothing is known.

    ``chance`` of failing before the day ``by_day_text`` (None or "": not known), ``saving_text`` what the action saves in
    money ("": not known), ``action`` wait, wash, change or "", ``reason`` left_over, condition, cost, limit, drift or "".
    Raises Nonsense for another action or reason, and for a chance outside 0 to 1.
    """
    if action not in {"", *_DOING}:
        raise Nonsense(f"A wick is left in, washed or changed; {action!r} is none of these.")
    if reason not in {"", "cost", *_SEEN}:
        raise Nonsense(f"{reason!r} is no reason for an advice.")
    if chance is not None and not 0 <= chance <= 1:
        raise Nonsense(f"A chance is 0 to 1, not {chance}.")
    known = chance is not None and by_day_text
    risk = f"{percent(chance or 0)} chance of failing before {by_day_text}" if known else ""
    if action and reason in _SEEN:
        seen = f"{_SEEN[reason]}: {_TO_DO[action]}."
        return f"{seen} {_started(risk)}." if risk else seen
    if not risk:
        return ""
    if action in {"wash", "change"} and saving_text:
        return f"{_started(risk)}; {_DOING[action]} now saves {saving_text}."
    if action == "wait":
        return f"{_started(risk)}; waiting costs less than changing now."
    return f"{_started(risk)}."


def percent(chance: float) -> str:
    """A chance in whole per cent; never "0 %" or "100 %", which nobody can know."""
    if chance < 0.005:  # noqa: PLR2004 - half a per cent
        return "under 1 %"
    return "over 99 %" if chance >= 0.995 else f"{chance * 100:.0f} %"  # noqa: PLR2004


def _started(text: str) -> str:
    return text[:1].upper() + text[1:]
