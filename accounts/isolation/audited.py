"""Which tables tell the audit of their changes: all that carry an operator, but for those on the list."""

from __future__ import annotations

from typing import Any

from accounts.isolation.wanted import NAME, OURS, Audit, Expected, rows_of

# What a changed row of these would tell is told elsewhere, or is nobody's act.
NOT_AUDITED: dict[str, str] = {
    "accounts_auditentry": "the audit itself",
    "accounts_clientchange": "says who changed a program; the program's own row and its secrets are audited",
    "accounts_clienttoken": "drawn by programs every few minutes, from a secret that is audited",
    "accounts_job": "what the product owes itself; what a job does is audited",
    "accounts_workfile": "a file of a piece of long work, which is audited",
    "accounts_keptanswer": "the answer of a request whose effect is audited",
    "billing_alerttelling": "how far an endpoint was told of alerts; that it asks for them is audited with it",
    "billing_change": "made by the database from rows that are audited",
    "billing_charge": "made by a month's close, which is audited with the digest of what it was made from",
    "billing_closeinputs": "a part of a month's close, which is audited",
    "billing_documentline": "a part of a document, which is audited with its total and digest",
    "billing_eventdisposition": "made by a month's close, which is audited",
    "billing_journalentry": "posted by the document, payment or refund that it names, which is audited",
    "billing_journalline": "a part of a journal entry",
    "billing_preview": "reckoned, and replaced, by nobody",
    "billing_webhookattempt": "what a receiver answered",
    "billing_webhookdelivery": "what a receiver is told; who made the receiver is audited",
    "servicing_alert": "made by the sweep from what is recorded and what day it is",
    "servicing_announcement": "owed each day from planned visits and contacts, which are audited",
    "servicing_checkpoint": "how far a projection has read",
    "servicing_duesegment": "reckoned from agreements, which are audited, and from the log",
    "servicing_entryshowing": "each showing of a code is noted as an act",
    "servicing_event": "the log itself: it says who recorded what, and is sealed",
    "servicing_finding": "reckoned from the log",
    "servicing_fit": "reckoned from the log",
    "servicing_linkuse": "how often a shared record was opened, by nobody who is known",
    "servicing_notice": "a mail about alerts: the row itself says to whom, when and what became of it",
    "servicing_outlook": "reckoned from the log",
    "servicing_personaltext": "filed with what is recorded, and read and erased by its person's key, which is audited",
    "servicing_pulse": "says that a page is to be drawn anew",
    "servicing_report": "reckoned from the log",
    "servicing_seal": "the seals of the log, which have a check of their own",
    "servicing_standstill": "reckoned from the log",
    "servicing_unitstate": "reckoned from the log",
    "servicing_visit": "reckoned from the log",
}
# Of these only what is changed or removed is told, not what is added: it comes in masses, with what says who sent it.
TOLD_WHEN_CHANGED = {"billing_bankentry", "servicing_personkey", "servicing_photo"}

# What the triggers of each table tell, as the first digits of the SHA-256 of their arguments that were reviewed: its word, the
# columns whose values may be told, and those whose change alone tells nothing. A migration that changes it changes it here.
TELLS: dict[str, str] = {
    "accounts_accesstoken": "a0f561f521e8",
    "accounts_clientsecret": "56270c067282",
    "accounts_closing": "027d88972aef",
    "accounts_crew": "91af34542a2f",
    "accounts_customer": "0bfa3da7cc13",
    "accounts_device": "978267b3c175",
    "accounts_longwork": "6e4de984cdf6",
    "accounts_machineclient": "634ebb830552",
    "accounts_member": "72954565a650",
    "accounts_operator": "173dcbf8cc17",
    "accounts_serviceagreement": "e45c3aa3fc53",
    "accounts_servicerules": "33b67645b8f3",
    "accounts_site": "7457f010fd5b",
    "accounts_sitecontact": "cead3a11fd7d",
    "accounts_supportgrant": "1173541192e6",
    "billing_accountmapping": "e63f8d1e67f2",
    "billing_allocation": "407e08cfa016",
    "billing_bankentry": "095ae40abe4c",
    "billing_bankstatement": "b10de37cd49b",
    "billing_billingprofile": "a4d0f40fba6f",
    "billing_contract": "7be1b78a3527",
    "billing_contractrenewal": "d5bc14bfdf5a",
    "billing_contractsite": "9d5e8974b5fd",
    "billing_contractterms": "57af04d6afd1",
    "billing_document": "eb991c4c2025",
    "billing_externalid": "14d0d21abcda",
    "billing_indexfigure": "53b79fa1d9dc",
    "billing_legalentity": "2e1ac592d11d",
    "billing_numberseries": "8a9ddd8730d5",
    "billing_payment": "f06e611d1c5f",
    "billing_periodclose": "ed45414bbe7a",
    "billing_priceitem": "6a5da12afe10",
    "billing_priceversion": "e8abf914c7d5",
    "billing_purchaseorder": "65d21c27e251",
    "billing_refund": "735b879d86fd",
    "billing_royaltystatement": "e23d2135565c",
    "billing_royaltyterms": "cebf3c64fafa",
    "billing_sending": "3649acb57700",
    "billing_sitebilling": "cdb636050281",
    "billing_taxrate": "4961224b950c",
    "billing_webhookendpoint": "b37c2ea15b69",
    "fleet_cartridge": "814baca9cb0e",
    "fleet_liquid": "1e9db8ea6227",
    "fleet_restroom": "d5c9fe6ed313",
    "fleet_safetysheet": "f6105d30422e",
    "fleet_station": "4f3da3823329",
    "fleet_unit": "91b2d37580da",
    "fleet_unitmodel": "578b65d5ca32",
    "servicing_entrysecret": "4f2915aaff2f",
    "servicing_noticewish": "f7002f02d298",
    "servicing_personkey": "c2b7f42c0880",
    "servicing_photo": "a655f4d82cc2",
    "servicing_plannedvisit": "4fa44094563d",
    "servicing_recordlink": "e793b81fef2d",
    "servicing_sitenote": "e983d62335fd",
}

# Bits of tgtype: 1 each row, 4 insert, 8 delete, 16 update.
ADDED_OR_REMOVED, REMOVED, CHANGED = 1 | 4 | 8, 1 | 8, 1 | 16


def audit_audited(cursor: Any, found: Audit, wanted: Expected) -> None:
    rows = rows_of(
        cursor,
        f"""
        SELECT {NAME}, t.tgname::text, t.tgtype::integer, t.tgenabled::text, t.tgdeferrable AND t.tginitdeferred,
            -- of whatever column
            t.tgattr::text = '' AND (
                t.tgqual IS NULL OR pg_get_triggerdef(t.oid) LIKE '% WHEN ((old.* IS DISTINCT FROM new.*)) %'
            ),
            left(encode(sha256(t.tgargs), 'hex'), 12)
        FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid JOIN pg_proc p ON p.oid = t.tgfoid
        JOIN pg_namespace n ON n.oid = c.relnamespace
        WHERE NOT t.tgisinternal AND p.proname = 'accounts_note_row' AND {OURS}
        """,
    )
    there = {(row[0], row[1]): row[2:-1] for row in rows}
    for table, name, *_, tells in rows:
        reviewed = TELLS.get(table, "nothing")
        found.need(
            tells == reviewed,
            f"{table}: trigger {name} tells otherwise than what was reviewed: {tells}, not {reviewed}.",
        )
    needed: dict[tuple[str, str], tuple[Any, ...]] = {}
    for table in wanted.tenant.keys() - NOT_AUDITED.keys():
        if "." in table:
            continue
        wholly = REMOVED if table in TOLD_WHEN_CHANGED else ADDED_OR_REMOVED
        needed[table, f"{table}_audited"] = (wholly, "A", True, True)
        needed[table, f"{table}_audited_change"] = (CHANGED, "A", True, True)
    for table, name in sorted(needed.keys() | there.keys()):
        says = there.get((table, name))
        found.need(says, f"{table}: trigger {name} is missing, so the audit is not told.")
        found.need((table, name) in needed, f"{table}: trigger {name} is one too many.")
        if says and (table, name) in needed:
            found.need(says == needed[table, name], f"{table}: trigger {name} does not tell every change.")
    chain = rows_of(
        cursor,
        f"SELECT t.tgenabled::text, t.tgtype::integer, t.tgqual IS NULL FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
        f"JOIN pg_namespace n ON n.oid = c.relnamespace JOIN pg_proc p ON p.oid = t.tgfoid "
        f"WHERE {NAME} = 'accounts_auditentry' AND t.tgname = 'accounts_auditentry_chain' AND p.proname = 'accounts_chain_entry'",
    )
    # Bits: 1 each row, 2 before, 4 insert.
    found.need(chain == [("A", 1 | 2 | 4, True)], "accounts_auditentry: entries are not chained.")
    found.counts["tables that tell the audit"] = len({table for table, _ in there})
