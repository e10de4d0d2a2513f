"""The nightly audit of the books: nothing to say of what commands made, and a sentence for each row that was changed."""

import json
from decimal import Decimal
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from billing.queries.auditing.running import audit
from tests.billing.books import APRIL, JULY, JUNE, MAY, close, list_prices, on

GUARDED = (
    "billing_charge",
    "billing_document",
    "billing_documentline",
    "billing_journalline",
    "billing_periodclose",
)


@pytest.fixture
def books(north):
    """Three closed months with late work, a correction, and work that waits."""
    list_prices(north)
    wick = north.event("wick.changed", north.unit, on(4, 14), reason="age")
    north.upload(north.installed(at=on(4, 1)), wick)
    close(north, APRIL)
    north.upload(north.event("event.countered", north.unit, on(5, 2), reason="other", corrects=wick["id"]))
    north.upload(north.installed(north.units[1], on(4, 21), station=1))
    close(north, MAY)
    north.upload(north.exchanged(at=on(6, 3)))
    close(north, JUNE)
    return north


def breaches(cast):
    return [(one.invariant, one.sentence) for one in audit(cast.operator.id).breaches]


def change(superuser, sql, *values):
    """What only a superuser can do, with the guards off."""
    for table in GUARDED:
        superuser.execute(f"ALTER TABLE {table} DISABLE TRIGGER {table}_no_change")
    assert superuser.execute(sql, values).rowcount > 0
    for table in GUARDED:
        superuser.execute(f"ALTER TABLE {table} ENABLE ALWAYS TRIGGER {table}_no_change")


def test_books_kept_by_commands_break_nothing(books):
    found = audit(books.operator.id)

    assert found.breaches == []
    assert found.closes == 3
    assert found.documents == 3
    assert found.charges > found.documents


def test_an_operator_without_closes_breaks_nothing(south):
    assert breaches(south) == []


def test_a_changed_amount_of_a_line_is_named(books, superuser):
    change(
        superuser,
        "UPDATE billing_documentline SET amount = amount + 1 WHERE operator_id = %s AND line = 1 "
        "AND document_id = (SELECT id FROM billing_document WHERE operator_id = %s AND number = 'INV-000001')",
        books.operator.id,
        books.operator.id,
    )

    found = breaches(books)

    assert {number for number, _ in found} == {1, 16}
    assert any(sentence.startswith("Document INV-000001: its lines sum to ") for _, sentence in found)


def test_a_changed_document_is_not_what_was_issued(books, superuser):
    change(
        superuser,
        """UPDATE billing_document SET document = jsonb_set(document, '{lines,0,amount}', '"1.00"')
        WHERE operator_id = %s AND number = 'INV-000002'""",
        books.operator.id,
    )

    found = breaches(books)

    assert (8, "Document INV-000002: it is not what was issued; its digest is another.") in found
    assert 1 in {number for number, _ in found}


def test_a_missing_disposition_is_named(books, superuser):
    (event_id, position) = superuser.execute(
        "SELECT event_id, position FROM servicing_event WHERE operator_id = %s AND type = 'cartridge.exchanged'",
        [books.operator.id],
    ).fetchone()
    change(superuser, "DELETE FROM billing_eventdisposition WHERE event_id = %s", event_id)

    assert breaches(books) == [
        (
            3,
            f"Event {event_id}: it stands at {position} of the log, before the last cut, without a disposition.",
        )
    ]


def test_a_number_left_out_is_named(books, superuser):
    change(
        superuser,
        "UPDATE billing_numberseries SET next = next + 1 WHERE operator_id = %s AND code = 'INV'",
        books.operator.id,
    )

    assert breaches(books) == [
        (7, "Number series INV: 3 documents have the numbers 1 to 3, and the next is 5.")
    ]


def test_a_journal_that_does_not_balance_or_agree_with_the_documents_is_named(books, superuser):
    change(
        superuser,
        """UPDATE billing_journalline SET debit = debit + 5 WHERE operator_id = %s AND debit > 0 AND entry_id = (
            SELECT id FROM billing_journalentry WHERE operator_id = %s AND ordinal = 1)""",
        books.operator.id,
        books.operator.id,
    )

    found = breaches(books)

    assert {number for number, _ in found} == {6}
    assert found[0][1].startswith("Journal entry 1: its debit is ")
    assert found[1][1].startswith("Receivables of the operator itself: the journal has ")


def test_a_charge_at_another_price_than_it_names_is_found(books, superuser):
    change(
        superuser,
        "UPDATE billing_charge SET unit_price = 31 WHERE operator_id = %s AND rule = 'install'",
        books.operator.id,
    )

    assert {number for number, _ in breaches(books)} == {13}


def test_the_command_tells_each_operator_and_ends_with_one_when_something_is_broken(books, superuser):
    out = StringIO()
    call_command("audit_billing", operator=books.operator.slug, stdout=out)
    assert out.getvalue().startswith(f"{books.operator.slug}: all in order; 3 closes, ")

    change(superuser, "UPDATE billing_charge SET amount = 7 WHERE operator_id = %s", books.operator.id)
    out = StringIO()
    with pytest.raises(CommandError) as ended:
        call_command("audit_billing", operator=books.operator.slug, json=True, stdout=out)

    assert ended.value.returncode == 1
    line = json.loads(out.getvalue())
    assert (line["operator"], line["documents"]) == (books.operator.slug, 3)
    assert {16} <= {one["invariant"] for one in line["breaches"]}


def test_the_command_can_rate_every_close_again(books):
    out = StringIO()
    call_command("audit_billing", operator=books.operator.slug, replay=True, stdout=out)

    assert "all in order" in out.getvalue()


def test_the_command_refuses_an_operator_that_is_not_there(books):
    with pytest.raises(CommandError, match="no operator with the address /nowhere/"):
        call_command("audit_billing", operator="nowhere", stdout=StringIO())


def test_the_month_after_the_last_close_is_no_breach(books):
    close(books, JULY)

    assert breaches(books) == []
    assert Decimal(audit(books.operator.id).closes) == 4
