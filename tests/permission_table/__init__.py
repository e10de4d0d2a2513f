"""Who may do what, written down a second time, by hand: what the product says of itself is held against these lines.

A line is a decision. Whoever adds a permission, an address or a command adds its line here, and whoever reviews it asks
whether each letter is right. Nothing here is reckoned from the product.
"""

from __future__ import annotations

# owner, Dispatcher, Crew member (and its phone), Bookkeeper, Viewer, Network: the letter of each role that may.
ROLES = {
    "O": "owner",
    "D": "dispatcher",
    "C": "crew_member",
    "B": "bookkeeper",
    "V": "viewer",
    "N": "network",
}
MAY = {
    "agreements:manage": "OD----",
    "agreements:read": "OD-BV-",
    "alerts:acknowledge": "OD----",
    "alerts:read": "ODCBV-",
    "audit:read": "O-----",
    "books:map": "O--B--",
    "changes:read": "O--BV-",
    "contracts:manage": "O--B--",
    "crews:manage": "OD----",
    "crews:read": "ODCBV-",
    "customers:manage": "OD----",
    "customers:read": "OD-BV-",
    "devices:manage": "OD----",
    "documents:send": "O--B--",
    "entries:manage": "OD----",
    "entries:show": "O-C---",
    "events:counter": "OD----",
    "events:read": "ODCBV-",
    "events:record": "ODC---",
    "everything:export": "O-----",
    "figures:read": "OD-BV-",
    "fleet:manage": "OD----",
    "integrations:manage": "O-----",
    "invoices:issue": "O--B--",
    "invoices:read": "O--BV-",
    "journal:read": "O--BV-",
    "members:manage": "O-----",
    "operator:close": "O-----",
    "operator:manage": "O-----",
    "own-settings:manage": "ODCBVN",
    "payments:read": "O--BV-",
    "payments:record": "O--B--",
    "prices:manage": "O--B--",
    "records:share": "OD----",
    "royalty:manage": "O--B--",
    "royalty:read": "O--B-N",
    "sites:manage": "OD----",
    "sites:read": "ODCBV-",
    "support:grant": "O-----",
    "texts:erase": "O-----",
    "texts:read": "ODC---",
    "units:read": "ODCBV-",
    "visits:plan": "OD----",
    "work:read": "OD-B--",
}

# What a program may be given; the rest only a person does, or a phone.
PROGRAMS_MAY = {
    "agreements:manage",
    "agreements:read",
    "alerts:acknowledge",
    "alerts:read",
    "books:map",
    "changes:read",
    "contracts:manage",
    "crews:manage",
    "crews:read",
    "customers:manage",
    "customers:read",
    "devices:manage",
    "documents:send",
    "events:counter",
    "events:read",
    "events:record",
    "figures:read",
    "fleet:manage",
    "integrations:manage",
    "invoices:issue",
    "invoices:read",
    "journal:read",
    "operator:manage",
    "payments:read",
    "payments:record",
    "prices:manage",
    "royalty:manage",
    "royalty:read",
    "sites:manage",
    "sites:read",
    "texts:read",
    "units:read",
    "work:read",
}

# Whose people need a second factor.
NEED_SECOND_FACTOR = "OB"
