"""What may come of one attempt to deliver a webhook, in words: for the page, and by fixed codes for programs."""

from __future__ import annotations

from accounts.languages import N_, _

# By the code that an attempt keeps as its detail.
SENTENCES: dict[str, str] = {
    "address": N_("The address may not be sent to. Change the endpoint's address."),
    "inner-address": N_(
        "The receiver's name leads into a private network. Deliveries go to receivers on the internet only."
    ),
    "unknown-name": N_("The receiver's name was not found in the name system."),
    "name-timeout": N_("The name system did not answer in time."),
    "closed": N_("Nothing listens at the receiver's address and port."),
    "no-way": N_("The receiver's network could not be reached."),
    "connect-timeout": N_("The receiver did not take the connection within {connect} seconds."),
    "certificate": N_("The receiver's certificate is not valid for its name."),
    "tls": N_("No encrypted connection could be made with the receiver."),
    "reset": N_("The receiver broke the connection off without an answer."),
    "answer-timeout": N_("The receiver did not answer within {total} seconds."),
    "unreadable": N_("The receiver's answer is not HTTP."),
    "too-large": N_("The receiver's answer is larger than is read."),
    "redirect": N_("The receiver answered {status}, a redirection. Deliveries follow none: set the address it leads to."),
    "unsigned": N_(
        "Nothing was sent: the endpoint's secret was sealed with a key that is not here any more. Give it a new secret."
    ),
    "gone": N_("The receiver answered 410: it wants nothing more. The endpoint was stopped."),
    "status": N_("The receiver answered {status}. Only an answer from 200 to 299 counts as delivered."),
}  # fmt: skip
CONNECT_SECONDS, TOTAL_SECONDS = 5, 10


def sentence(outcome: str, detail: str, status: int | None) -> str:
    """What came of an attempt, as a sentence in the language of the moment."""
    if outcome == "delivered":
        return _("Delivered. The receiver answered {status}.", status=status)
    said = SENTENCES.get(detail)
    if said is None:
        return _("It could not be delivered.")
    return _(said, status=status, connect=CONNECT_SECONDS, total=TOTAL_SECONDS)
