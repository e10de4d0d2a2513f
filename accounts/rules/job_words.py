"""Kinds of jobs in plain words, and what may be shown of why one failed."""

from __future__ import annotations

import re

from accounts.languages import N_, _

# What each kind does, as the list of failed work has it.
TITLES = {
    "accounts.tasks.check_audit": N_("Nightly check of the audit"),
    "accounts.tasks.send_invitation": N_("Mail of an invitation"),
    "accounts.tasks.tell_of_closing": N_("Mail about the closing of the operator"),
    "accounts.tasks.tell_person": N_("Mail about somebody's sign-in"),
    "billing.tasks.alerts_turned": N_("Telling webhooks of alerts"),
    "billing.tasks.close_month": N_("Close of a month"),
    "billing.tasks.deliver": N_("Message to a webhook"),
    "billing.tasks.nightly": N_("Nightly work on reminders and contracts"),
    "billing.tasks.preview_month": N_("Try-out of a month"),
    "billing.tasks.say_stopped": N_("Mail about a webhook that was stopped"),
    "billing.tasks.send": N_("Mail to a customer"),
    "billing.tasks.tell": N_("Telling webhooks of changes"),
    "servicing.tasks.announce": N_("Mail about a visit"),
    "servicing.tasks.announce_tomorrow": N_("Mails about tomorrow's visits"),
    "servicing.tasks.carry_out_import": N_("Import of a file"),
    "servicing.tasks.look_at_import": N_("Look through a file to import"),
    "servicing.tasks.look_at_notices": N_("Choice of who is told of alerts"),
    "servicing.tasks.refit": N_("Nightly forecasts"),
    "servicing.tasks.refresh_due": N_("New due days after a change of terms"),
    "servicing.tasks.seal": N_("Seal of the log"),
    "servicing.tasks.send_notice": N_("Mail about alerts"),
    "servicing.tasks.sweep": N_("Look for what is late or out of order"),
}

# What Python writes of an exception: its class, and in parentheses what it was made with.
_REPR = re.compile(r"\A(?:[A-Za-z_][\w.]*\.)?([A-Z]\w*)\((.*)\Z", re.DOTALL)
# Classes of ours whose text is a sentence for people, without names or secrets.
_SAYABLE = {"NotDelivered", "GivenUp"}
_MOST = 300


def title_of(kind: str) -> str:
    """In the language of the moment; the last word of its name for a kind without a title."""
    return _(TITLES[kind]) if kind in TITLES else kind.rpartition(".")[2].replace("_", " ").capitalize()


def said_of(last_error: str) -> str:
    """Why a job failed, in one line for its owner: a refusal's own sentence, else which kind of fault it was.

    What an exception says may name machines, statements and keys; the log has it, for whoever runs the service. Empty when a
    worker ended in the middle and could say nothing.
    """
    line = " ".join(last_error.strip().split("\n")[:1]).strip()
    fault = _REPR.match(last_error.strip())
    if fault is None:
        return line[:_MOST]
    name, inside = fault.group(1), fault.group(2)
    if name in _SAYABLE:
        said = inside.strip().removesuffix(")").strip("'\"")
        return said[:_MOST]
    return _("A fault of the program, {name}. Whoever runs the service finds it in the log.", name=name)
