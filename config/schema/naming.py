"""How operations are called and grouped. A name is a method of a generated client, so one once given stays."""

from __future__ import annotations

import re

# What the groups hold, in the order the document lists them.
TAGS = {
    "accounting": "The feed that a program of the accounts follows, and what it says back: names and accounts of its own.",
    "webhooks": "Messages that tell a program when there is something new to read.",
    "documents": "Invoices and credit notes, what is left of them, and what was mailed.",
    "payments": "Money received and given back, what it settles, and bank statements.",
    "ledger": "The journal in double entry, its totals, and what each account stands at.",
    "closing": "Months tried out, looked through and closed, and the charges they made.",
    "prices": "The price list, contracts, terms, and figures of price indices.",
    "parties": "Customers, sites, service agreements, and what billing knows of them.",
    "network": "What is agreed with the franchise's network, and its statements.",
    "fleet": "Models, liquids, cartridges, restrooms, stations, and units with their histories.",
    "servicing": "The service-event log and what follows from it: visits, alerts, findings, reports, figures.",
    "people": "The operator itself, its crews and phones.",
}
_TAG_OF = {
    "accounting": "accounting",
    "webhook-endpoints": "webhooks",
    **dict.fromkeys(("invoices", "credit-notes", "sendings", "statement-sendings"), "documents"),
    **dict.fromkeys(
        (
            "payments",
            "refunds",
            "open-documents",
            "debtors",
            "opening-debts",
            "bank-files",
            "bank-statements",
            "bank-entries",
        ),
        "payments",
    ),
    **dict.fromkeys(("journal-entries", "journal-totals", "journal.csv", "account-balances"), "ledger"),
    **dict.fromkeys(
        ("month-closes", "month-previews", "month-checklist", "charges", "number-series"), "closing"
    ),
    **dict.fromkeys(("price-items", "prices", "contracts", "index-figures", "tax-rates"), "prices"),
    **dict.fromkeys(
        (
            "customers",
            "sites",
            "service-agreements",
            "legal-entities",
            "billing-profiles",
            "site-billing",
            "purchase-orders",
        ),
        "parties",
    ),
    **dict.fromkeys(("royalty-terms", "royalty-statements"), "network"),
    **dict.fromkeys(
        ("unit-models", "liquids", "cartridges", "restrooms", "stations", "units", "imports"), "fleet"
    ),
    **dict.fromkeys(
        (
            "service-events",
            "seals",
            "service-figures",
            "wick-figures",
            "fits",
            "standstills",
            "visits",
            "personal-texts",
            "photos",
            "reports",
            "findings",
            "alerts",
        ),
        "servicing",
    ),
    **dict.fromkeys(("operator", "crews", "devices", "service-rules", "quarantine", "work"), "people"),
}
# Last parts of an address that say what is done: "acknowledge_alert".
_VERBS = {
    "acknowledge",
    "assign",
    "counter",
    "credit",
    "end",
    "explain",
    "release",
    "replay",
    "return",
    "revoke",
    "rotate",
    "set-aside",
    "start",
    "stop",
    "test",
}
# Where the rule would say it less well.
_NAMES = {
    "POST bank-files": "import_bank_file",
    "POST bank-files/preview": "preview_bank_file",
    "GET accounting/changes": "follow_changes",
    "GET accounting/export.csv": "get_accounting_file",
    "GET accounting/totals": "get_accounting_totals",
    "GET webhook-endpoints/{}/deliveries": "list_webhook_deliveries",
    "GET webhook-endpoints/{}/deliveries/{}": "get_webhook_delivery",
    "POST webhook-endpoints/{}/deliveries/{}/replay": "replay_webhook_delivery",
    "POST webhook-endpoints/{}/replay": "replay_webhook_deliveries",
    "POST webhook-endpoints/{}/rotate": "rotate_webhook_secret",
    "POST contracts/{}/sites": "add_contract_site",
    "POST contracts/{}/terms": "set_contract_terms",
    "POST credit-notes/{}/allocations": "allocate_credit_note",
    "POST devices": "register_device",
    "GET journal.csv": "get_journal_file",
    "GET quarantine": "list_failed_jobs",
    "POST quarantine/{}/give-up": "give_up_failed_job",
    "POST quarantine/{}/replay": "replay_failed_job",
    "GET work": "list_work",
    "GET work/{}": "get_work",
    "POST work/{}/cancel": "cancel_work",
    "POST imports": "send_import",
    "POST imports/{}/carry-out": "carry_out_import",
    "GET imports/{}/left-out": "get_import_left_out",
    "POST index-figures": "record_index_figure",
    "POST legal-entities": "set_legal_entity",
    "POST month-closes": "close_month",
    "POST month-previews": "preview_month",
    "POST number-series": "set_number_series",
    "POST opening-debts": "record_opening_debts",
    "POST payments": "record_payments",
    "POST payments/{}/allocations": "allocate_payment",
    "POST personal-texts": "keep_personal_text",
    "POST photos": "keep_photo",
    "POST price-items/{}/prices": "set_price",
    "POST prices/{}/announcement": "announce_price",
    "POST royalty-statements": "state_royalty_month",
    "POST royalty-terms": "set_royalty_terms",
    "POST sendings": "send_document",
    "POST service-events": "upload_service_events",
    "POST service-rules": "set_service_rules",
    "POST site-billing": "set_site_billing",
    "POST sites/{}/entry-codes/{}/showings": "show_entry_code",
    "POST standstills": "begin_standstill",
    "POST statement-sendings": "send_statement",
    "POST tax-rates": "set_tax_rate",
    "POST units": "print_labels",
}
# Added one at a time; other lists take one or many.
_ONE_AT_A_TIME = {
    "cartridges",
    "contracts",
    "crews",
    "liquids",
    "refunds",
    "reports",
    "unit-models",
    "webhook-endpoints",
}
_PLACE = re.compile(r"\{[^}]*\}")


def tag_of(path: str) -> str:
    """The group of an address below /api/v1/; KeyError for one that nobody has put into a group."""
    return _TAG_OF[path.split("/", maxsplit=1)[0]]


def name_of(method: str, path: str, *, rows: bool) -> str:
    """An operation's name, such as ``list_contract_sites``. ``path``: below /api/v1/; ``rows``: it answers with pages of rows."""
    chosen = _NAMES.get(f"{method} {_PLACE.sub('{}', path)}")
    if chosen:
        return chosen
    parts = path.removeprefix("accounting/").split("/")
    last = next(part for part in reversed(parts) if not _PLACE.match(part))
    words = [
        _singular(part) if _is_one(parts, index) else part
        for index, part in enumerate(parts)
        if not _PLACE.match(part)
    ]
    if last in _VERBS:
        return _snake(last, *(_singular(word) for word in words[:-1]))
    if method == "POST" and parts[-1] in _ONE_AT_A_TIME:
        words[-1] = _singular(words[-1])
    collection = not _PLACE.match(parts[-1]) and words[-1].endswith("s")
    verb = {
        "GET": "list" if rows else "get",
        "POST": "add" if collection or parts[-1] in _ONE_AT_A_TIME else "set",
        "PUT": "set",
        "DELETE": "remove",
    }[method]
    return _snake(verb, *words)


def title_of(name: str) -> str:
    """``list_contract_sites`` as a title: "List contract sites"."""
    text = name.replace("_", " ")
    return text[0].upper() + text[1:]


def sentence_of(name: str) -> str:
    """What an operation does, for one whose view says no more than its name."""
    verb, _, things = name.replace("_", " ").partition(" ")
    if verb == "list":
        return f"{things[0].upper()}{things[1:]}, a page at a time, in an order that stays."
    return f"One {things}." if verb == "get" else f"{title_of(name)}."


def _is_one(parts: list[str], index: int) -> bool:
    """Whether a part is followed by what names one of its rows."""
    return index + 1 < len(parts) and bool(_PLACE.match(parts[index + 1]))


def _singular(word: str) -> str:
    if word.endswith("ies"):
        return word[:-3] + "y"
    return word.removesuffix("s") if not word.endswith(("ss", "series")) else word


def _snake(*words: str) -> str:
    return "_".join(re.sub(r"[^a-z0-9]+", "_", word) for word in words)
