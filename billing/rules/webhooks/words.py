"""What the page of webhooks says of messages and of endpoints that stand still."""

from __future__ import annotations

from accounts.languages import N_, _
from billing.rules.webhooks import messages

# Of what an endpoint is told.
KINDS = {
    "customer": N_("Customers"),
    "invoice": N_("Invoices"),
    "credit_note": N_("Credit notes"),
    "opening": N_("Debts brought forward"),
    "journal_entry": N_("Journal entries"),
    "payment": N_("Payments"),
    "refund": N_("Refunds"),
    messages.ALERT: N_("Alerts"),
}
_CHANGED = {
    "customer": N_("Customer changed"),
    "invoice": N_("Invoice changed"),
    "credit_note": N_("Credit note changed"),
    "opening": N_("Debt brought forward changed"),
    "journal_entry": N_("Journal entry changed"),
    "payment": N_("Payment changed"),
    "refund": N_("Refund changed"),
}
_OTHERS = {
    messages.AVAILABLE: N_("Many changes at once"),
    messages.TEST: N_("Test message"),
    messages.alert_type(messages.OPENED): N_("Alert opened"),
    messages.alert_type(messages.CLOSED): N_("Alert closed"),
    messages.ALERTS_AVAILABLE: N_("Many alerts at once"),
    messages.type_of("customer", gone=True): N_("Customer removed"),
}
STATES = {
    "waiting": N_("waits"),
    "delivered": N_("delivered"),
    "given_up": N_("given up"),
}
STOPPED = {
    "by_hand": N_("It was stopped by one of you. Start it again when its receiver is ready."),
    "failing": N_(
        "It was stopped because for five days nothing arrived there. Have the receiver looked after, then start it again."
    ),
    "gone": N_(
        "It was stopped because its receiver answered that it wants no more messages (HTTP 410). Start it again only once "
        "the receiver takes them."
    ),
}


def type_words(kind: str) -> str:
    """What a message is about, such as "Invoice changed"."""
    noun, _dot, what = kind.partition(".")
    if what == messages.CHANGED and noun in _CHANGED:
        return _(_CHANGED[noun])
    return _(_OTHERS[kind]) if kind in _OTHERS else kind
