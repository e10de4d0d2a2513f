"""Why the advice on a wick is what it is, in one sentence."""

from __future__ import annotations

from accounts.languages import N_, _
from servicing.rules.nonsense import Nonsense

ACTIONS = ("wait", "wash", "change")
_SEEN = {
    ("left_over", "wait"): N_("Most of the liquid was still there at the last exchange: leave the wick in."),
    ("left_over", "wash"): N_("Most of the liquid was still there at the last exchange: wash the wick."),
    ("left_over", "change"): N_("Most of the liquid was still there at the last exchange: change the wick."),
    ("condition", "wait"): N_("The wick was no longer good when it was last looked at: leave the wick in."),
    ("condition", "wash"): N_("The wick was no longer good when it was last looked at: wash the wick."),
    ("condition", "change"): N_("The wick was no longer good when it was last looked at: change the wick."),
    ("limit", "wait"): N_(
        "The wick has reached the age at which it is changed in any case: leave the wick in."
    ),
    ("limit", "wash"): N_("The wick has reached the age at which it is changed in any case: wash the wick."),
    ("limit", "change"): N_(
        "The wick has reached the age at which it is changed in any case: change the wick."
    ),
    ("drift", "wait"): N_("The unit has been giving less than expected: leave the wick in."),
    ("drift", "wash"): N_("The unit has been giving less than expected: wash the wick."),
    ("drift", "change"): N_("The unit has been giving less than expected: change the wick."),
}
_REASONS = {reason for reason, _action in _SEEN}


def wick_sentence(chance: float | None, by_day_text: str, saving_text: str, action: str, reason: str) -> str:
    """Such as "32 % chance of failing before 14 May; changing now saves 3.10."; "" where nothing is known.

    ``chance`` of failing before the day ``by_day_text`` (None or "": not known), ``saving_text`` what the action saves in
    money ("": not known), ``action`` wait, wash, change or "", ``reason`` left_over, condition, cost, limit, drift or "".
    Raises Nonsense for another action or reason, and for a chance outside 0 to 1.
    """
    if action not in {"", *ACTIONS}:
        raise Nonsense(f"A wick is left in, washed or changed; {action!r} is none of these.")
    if reason not in {"", "cost", *_REASONS}:
        raise Nonsense(f"{reason!r} is no reason for an advice.")
    if chance is not None and not 0 <= chance <= 1:
        raise Nonsense(f"A chance is 0 to 1, not {chance}.")
    known = (
        {"chance": _started(percent(chance)), "day": by_day_text}
        if chance is not None and by_day_text
        else {}
    )
    risk = _("{chance} chance of failing before {day}.", **known) if known else ""
    if (reason, action) in _SEEN:
        return f"{_(_SEEN[reason, action])} {risk}".rstrip()
    if not known:
        return ""
    if action == "wash" and saving_text:
        return _(
            "{chance} chance of failing before {day}; washing now saves {saving}.",
            saving=saving_text,
            **known,
        )
    if action == "change" and saving_text:
        return _(
            "{chance} chance of failing before {day}; changing now saves {saving}.",
            saving=saving_text,
            **known,
        )
    if action == "wait":
        return _("{chance} chance of failing before {day}; waiting costs less than changing now.", **known)
    return risk


def percent(chance: float) -> str:
    """A chance in whole per cent; never "0 %" or "100 %", which nobody can know."""
    if chance < 0.005:  # noqa: PLR2004 - half a per cent
        return _("under 1 %")
    return _("over 99 %") if chance >= 0.995 else f"{chance * 100:.0f} %"  # noqa: PLR2004


def _started(text: str) -> str:
    return text[:1].upper() + text[1:]
