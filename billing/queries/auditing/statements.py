"""What stored rows of billing must obey, each as one statement that finds the rows that do not.

Numbers are those of the invariants of billing. A statement's columns fill its sentence, which begins with the row.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Statement:
    """``sql`` gives the rows that break the invariant; ``%(operator)s`` is the operator."""

    invariant: int
    sentence: str
    sql: str


# A charge as it stands: the rows of its key, summed.
STANDING = """
SELECT key, min(currency) AS currency, sum(amount) AS amount, sum(part) AS part, max(whole) AS whole,
    min(starts_on) AS starts_on, max(ends_before) AS ends_before, min(rule) AS rule, min(item_code) AS item_code,
    (array_agg(subject_id))[1] AS subject_id, (array_agg(site_id))[1] AS site_id, (array_agg(event_id))[1] AS event_id,
    min(unit_code) AS unit_code, min(site_code) AS site_code, (array_agg(price_version_id))[1] AS version_id
FROM billing_charge WHERE operator_id = %(operator)s GROUP BY key
"""
LATEST = """
SELECT DISTINCT ON (d.event_id) d.event_id, d.outcome, d.charge_key, d.reason
FROM billing_eventdisposition d JOIN billing_periodclose c ON (c.operator_id, c.id) = (d.operator_id, d.close_id)
WHERE d.operator_id = %(operator)s ORDER BY d.event_id, c.month DESC
"""

STATEMENTS = (
    Statement(
        1,
        "Document {number}: its lines sum to {lines}, its net amount is {net}.",
        """
        SELECT d.number, d.net, coalesce(sum(
            CASE WHEN d.kind = 'credit_note' AND l.charge_id IS NOT NULL THEN -l.amount ELSE l.amount END), 0) AS lines
        FROM billing_document d
        LEFT JOIN billing_documentline l ON (l.operator_id, l.document_id) = (d.operator_id, d.id)
        WHERE d.operator_id = %(operator)s AND d.kind <> 'opening'
        GROUP BY d.id, d.number, d.net
        HAVING d.net <> coalesce(sum(
            CASE WHEN d.kind = 'credit_note' AND l.charge_id IS NOT NULL THEN -l.amount ELSE l.amount END), 0)
        """,
    ),
    Statement(
        1,
        "Document {number}: its columns say net {net}, tax {tax}, total {total}; its text says {said_net}, {said_tax}, {said_total}.",
        """
        SELECT number, net, tax, total, document->>'net' AS said_net, document->>'tax' AS said_tax,
            document->>'total' AS said_total
        FROM billing_document
        WHERE operator_id = %(operator)s AND kind <> 'opening' AND (net, tax, total) IS DISTINCT FROM (
            (document->>'net')::numeric, (document->>'tax')::numeric, (document->>'total')::numeric)
        """,
    ),
    Statement(
        3,
        "Event {event_id}: it is billed as charge {charge_key}, and there is no such charge.",
        f"""
        SELECT d.event_id, d.charge_key FROM ({LATEST}) d
        WHERE d.outcome = 'billed' AND NOT EXISTS (
            SELECT FROM billing_charge c WHERE c.operator_id = %(operator)s AND c.key = d.charge_key)
        """,
    ),
    Statement(
        3,
        "Event {event_id}: it is {outcome}, and charge {key} still stands at {amount} {currency} for it.",
        f"""
        SELECT s.event_id, d.outcome, s.key, s.amount, s.currency
        FROM ({STANDING}) s JOIN ({LATEST}) d ON d.event_id = s.event_id
        WHERE s.amount <> 0 AND s.rule IN ('event', 'install') AND d.charge_key <> s.key
        """,
    ),
    Statement(
        5,
        "Close of {month}: the close before it is of {previous}, so a month is missing or there twice.",
        """
        SELECT to_char(month, 'YYYY-MM') AS month, to_char(previous, 'YYYY-MM') AS previous FROM (
            SELECT month, lag(month) OVER (ORDER BY month) AS previous
            FROM billing_periodclose WHERE operator_id = %(operator)s
        ) c WHERE month <> previous + interval '1 month'
        """,
    ),
    Statement(
        5,
        "Close of {month}: its cut {cut_position} lies before the cut of the close before it, {previous}.",
        """
        SELECT to_char(month, 'YYYY-MM') AS month, cut_position, previous FROM (
            SELECT month, cut_position, lag(cut_position) OVER (ORDER BY month) AS previous
            FROM billing_periodclose WHERE operator_id = %(operator)s
        ) c WHERE cut_position < previous
        """,
    ),
    Statement(
        5,
        "Charge {key}: a row of it stands on {documents} documents.",
        """
        SELECT c.key, count(*) AS documents
        FROM billing_documentline l JOIN billing_charge c ON (c.operator_id, c.id) = (l.operator_id, l.charge_id)
        WHERE l.operator_id = %(operator)s GROUP BY c.id, c.key HAVING count(*) > 1
        """,
    ),
    Statement(
        6,
        "Journal entry {ordinal}: its debit is {debit} {currency}, its credit {credit}.",
        """
        SELECT e.ordinal, e.currency, coalesce(sum(l.debit), 0) AS debit, coalesce(sum(l.credit), 0) AS credit
        FROM billing_journalentry e
        LEFT JOIN billing_journalline l ON (l.operator_id, l.entry_id) = (e.operator_id, e.id)
        WHERE e.operator_id = %(operator)s
        GROUP BY e.id, e.ordinal, e.currency
        HAVING coalesce(sum(l.debit), 0) <> coalesce(sum(l.credit), 0) OR count(l.id) < 2
        """,
    ),
    Statement(
        7,
        "Number series {code}: {documents} documents have the numbers {first} to {last}, and the next is {next}.",
        """
        SELECT s.code, count(*) AS documents, min(d.ordinal) AS first, max(d.ordinal) AS last, s.next
        FROM billing_numberseries s JOIN billing_document d ON (d.operator_id, d.series_id) = (s.operator_id, s.id)
        WHERE s.operator_id = %(operator)s
        GROUP BY s.id, s.code, s.next
        HAVING count(DISTINCT d.ordinal) <> max(d.ordinal) - min(d.ordinal) + 1 OR count(*) <> count(DISTINCT d.ordinal)
            OR s.next <> max(d.ordinal) + 1
        """,
    ),
    Statement(
        9,
        "Document {number}, line {line}: {given} was given back of its {amount}.",
        """
        SELECT d.number, l.line, l.amount, sum(c.amount) AS given
        FROM billing_documentline l
        JOIN billing_documentline c ON (c.operator_id, c.credits_id) = (l.operator_id, l.id) AND c.charge_id IS NULL
        JOIN billing_document d ON (d.operator_id, d.id) = (l.operator_id, l.document_id)
        WHERE l.operator_id = %(operator)s
        GROUP BY d.number, l.line, l.amount
        HAVING sum(c.amount) > l.amount AND sum(c.amount) > 0
        """,
    ),
    Statement(
        9,
        "Document {number}: its credit notes give back {given} of its {total}.",
        """
        SELECT d.number, d.total, sum(c.total) AS given
        FROM billing_document d JOIN billing_document c ON (c.operator_id, c.corrects_id) = (d.operator_id, d.id)
        WHERE d.operator_id = %(operator)s GROUP BY d.number, d.total HAVING sum(c.total) > d.total
        """,
    ),
    Statement(
        9,
        "Document {number}: its net amount is given back whole, its tax {category} {rate} % of {tax} as {given}.",
        """
        WITH given AS (
            SELECT c.corrects_id, g->>'category' AS category, g->>'rate' AS rate, g->>'jurisdiction' AS place,
                sum((g->>'base')::numeric) AS base, sum((g->>'tax')::numeric) AS tax
            FROM billing_document c, jsonb_array_elements(c.document->'tax_groups') g
            WHERE c.operator_id = %(operator)s AND c.corrects_id IS NOT NULL GROUP BY 1, 2, 3, 4
        )
        SELECT d.number, given.category, given.rate, g->>'tax' AS tax, given.tax AS given
        FROM given JOIN billing_document d ON d.operator_id = %(operator)s AND d.id = given.corrects_id,
            jsonb_array_elements(d.document->'tax_groups') g
        WHERE (g->>'category', g->>'jurisdiction') = (given.category, given.place)
            AND g->>'rate' IS NOT DISTINCT FROM given.rate
            AND (((g->>'base')::numeric = given.base AND (g->>'tax')::numeric <> given.tax)
                OR (g->>'base')::numeric < given.base)
        """,
    ),
    Statement(
        11,
        "Unit {unit_code}: {part} of {whole} days of {month} are charged by {item_code}.",
        f"""
        SELECT unit_code, to_char(starts_on, 'YYYY-MM') AS month, item_code, sum(part) AS part, max(whole) AS whole
        FROM ({STANDING}) s WHERE rule = 'unit_month' AND amount <> 0
        GROUP BY subject_id, unit_code, to_char(starts_on, 'YYYY-MM'), item_code, currency
        HAVING sum(part) > max(whole)
        """,
    ),
    Statement(
        12,
        "Site {site_code}: two flat fees of {item_code} cover {starts_on} until before {ends_before}.",
        f"""
        WITH fees AS (SELECT * FROM ({STANDING}) s WHERE rule = 'site_month' AND amount <> 0)
        SELECT site_code, item_code, starts_on, ends_before FROM (
            SELECT fees.*, max(ends_before) OVER (
                PARTITION BY site_id, item_code ORDER BY starts_on, key ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
            ) AS taken_until FROM fees
        ) f WHERE starts_on < taken_until
        """,
    ),
    Statement(
        13,
        "Charge {key}: its unit price is {unit_price} {currency}, the price it names was {amount} {its_currency} from "
        "{effective_from} on and its day is {service_on}.",
        """
        SELECT c.key, c.unit_price, c.currency, v.amount, v.currency AS its_currency, v.effective_from, c.service_on
        FROM billing_charge c JOIN billing_priceversion v ON (v.operator_id, v.id) = (c.operator_id, c.price_version_id)
        WHERE c.operator_id = %(operator)s AND c.rule IN ('event', 'install', 'unit_month', 'site_month', 'extra_unit', 'visit')
            AND (c.unit_price <> v.amount OR c.currency <> v.currency OR c.service_on < v.effective_from
                OR c.service_on >= v.effective_to)
        """,
    ),
    Statement(
        15,
        "Royalty statement of {month}: {carried_in} was carried into it, {carried_out} out of the one before.",
        """
        SELECT to_char(month, 'YYYY-MM') AS month, carried_in, carried_out FROM (
            SELECT month, carried_in, lag(carried_out) OVER (ORDER BY month) AS carried_out
            FROM billing_royaltystatement WHERE operator_id = %(operator)s
        ) s WHERE carried_in <> carried_out
        """,
    ),
    Statement(
        15,
        "Royalty statement of {month}: royalty {royalty} and fund {fund} are more than its base {base} and its minimum allow.",
        """
        SELECT to_char(s.month, 'YYYY-MM') AS month, s.royalty, s.fund, s.base
        FROM billing_royaltystatement s JOIN billing_royaltyterms t ON (t.operator_id, t.id) = (s.operator_id, s.terms_id)
        WHERE s.operator_id = %(operator)s AND s.royalty + s.fund > greatest(s.base, 0) AND s.royalty > t.minimum
        """,
    ),
    Statement(
        16,
        "Currency {currency}: {charged} is charged, {on_documents} of it on documents and {open} open.",
        """
        SELECT c.currency, sum(c.amount) AS charged, coalesce(sum(l.amount), 0) AS on_documents,
            coalesce(sum(c.amount) FILTER (WHERE l.id IS NULL), 0) AS open
        FROM billing_charge c
        LEFT JOIN billing_documentline l ON (l.operator_id, l.charge_id) = (c.operator_id, c.id)
        WHERE c.operator_id = %(operator)s GROUP BY c.currency
        HAVING sum(c.amount) <> coalesce(sum(l.amount), 0) + coalesce(sum(c.amount) FILTER (WHERE l.id IS NULL), 0)
        """,
    ),
)
