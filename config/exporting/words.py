"""What the archive says of itself, for whoever opens it years later without the product."""

from __future__ import annotations

from datetime import datetime

from accounts.languages import N_, _

README = (
    N_("Everything of {operator}, as it was at {at}."),
    N_(
        "It holds names, addresses and what people said. Keep it where only those can read it who may, and delete it when "
        "you need it no more."
    ),
    N_(
        "tables/ has one CSV file a table (RFC 4180, UTF-8): a first record of names, commas, CRLF. A field without anything "
        'is no value; "" is an empty text. data-dictionary.csv says of each column what it holds. tables/people.csv has the '
        "people who work or worked for the operator."
    ),
    N_(
        "A text that begins with = + - @ ' or a tab or line break has an apostrophe before it, so that a spreadsheet does "
        "not run it as a formula. A program that reads the files takes one apostrophe from the front of such a text."
    ),
    N_(
        "log/events.jsonl has all recorded work, one event a line, in exactly the bytes that were sealed. log/seals.jsonl "
        "has the seals. The leaf of an event is SHA-256 over a zero byte and its line without the line break; a seal's root "
        "is the Merkle tree of RFC 9162 section 2.1 over the leaves of its block, from first_position to last_position. "
        "docs/proof.md of the product says how the seals themselves are chained."
    ),
    N_(
        "documents/ has each issued document as JSON, whose SHA-256 is document_sha256 of its row in "
        "tables/billing_document.csv, and as an e-invoice (UBL 2.1) where it has one."
    ),
    N_(
        "photos/ and safety-sheets/ have pictures and sheets, named by the id of their row. texts/people.csv has what people "
        "said, as far as it was not erased and its key was there."
    ),
    N_(
        "manifest.json names every other file with its length, its SHA-256 and its number of rows, and what was left out "
        "and why: secrets, and what the product only notes for itself. Entry codes are not in it."
    ),
)


def readme(operator: str, at: datetime) -> str:
    """In the language of the moment; lines end as on every system's plain editor."""
    paragraphs = (_(one, operator=operator, at=at.strftime("%Y-%m-%d %H:%M UTC")) for one in README)
    return "\r\n\r\n".join(paragraphs) + "\r\n"
