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
    "accounts_keptanswer": "the answer of a request whose effect is audited",
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

# Bits of tgtype: 1 each row, 4 insert, 8 delete, 16 update.
ADDED_OR_REMOVED, REMOVED, CHANGED = 1 | 4 | 8, 1 | 8, 1 | 16


def audit_audited(cursor: Any, found: Audit, wanted: Expected) -> None:
    rows = rows_of(
        cursor,
        f"""
        SELECT {NAME}, t.tgname::text, t.tgtype::integer, t.tgenabled::text, t.tgdeferrable AND t.tginitdeferred,
            t.tgqual IS NULL OR pg_get_triggerdef(t.oid) LIKE '% WHEN ((old.* IS DISTINCT FROM new.*)) %'
        FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid JOIN pg_proc p ON p.oid = t.tgfoid
        JOIN pg_namespace n ON n.oid = c.relnamespace
        WHERE NOT t.tgisinternal AND p.proname = 'accounts_note_row' AND {OURS}
        """,
    )
    there = {(row[0], row[1]): row[2:] for row in rows}
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
