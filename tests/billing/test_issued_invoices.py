"""What was issued stays: numbers, the chain of documents, rows that never change, and the check that says so."""

import pytest
from django.db import ProgrammingError, connection, connections, transaction

from accounts import tenancy
from accounts.errors import NotFound
from accounts.ids import uuid7
from billing.commands import closing, numbering
from billing.models import Charge, Document, DocumentLine
from billing.queries import closes, documents, prices
from tests.billing.books import (
    APRIL,
    MAY,
    close,
    list_prices,
    on,
)


def test_numbers_have_no_gap_and_each_document_names_the_one_before(north):
    list_prices(north)
    with tenancy.operator_scope(north.operator.id):
        numbering.draw_numbers(numbering.locked_series(), 3)
        transaction.set_rollback(True)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    close(north, MAY)
    with north.reading():
        first, second = documents.invoices_in_order()
    assert (first.ordinal, first.previous_sha256) == (1, "")
    assert (second.ordinal, second.previous_sha256) == (2, first.document_sha256)
    assert second.document["previous_sha256"] == first.document_sha256


@pytest.mark.parametrize("model", [Document, DocumentLine, Charge])
def test_issued_rows_never_change_not_even_for_the_owner(north, model):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    table = model._meta.db_table
    for statement in (f"UPDATE {table} SET id = id", f"DELETE FROM {table}", f"TRUNCATE {table} CASCADE"):
        with (
            pytest.raises(ProgrammingError, match="permission denied"),
            tenancy.operator_scope(north.operator.id),
        ):
            connection.cursor().execute(statement)
        with pytest.raises(ProgrammingError, match="does not change"):
            connections["migrate"].cursor().execute(statement)


def test_a_rival_operator_gets_404_for_an_invoice(north, south):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    close(north, APRIL)
    with south.reading(), pytest.raises(NotFound):
        documents.get_invoice("INV-000001")
    with south.reading():
        assert (documents.invoices().count(), closes.closes().count(), prices.price_items().count()) == (
            0,
            0,
            0,
        )
    with north.reading():
        assert documents.get_invoice("INV-000001").customer.code == "C1"


def test_the_check_finds_a_charge_that_the_log_does_not_give(north):
    list_prices(north)
    north.upload(north.installed(at=on(4, 1)))
    closed = close(north, APRIL)
    with tenancy.operator_scope(north.operator.id):
        row = Charge.objects.order_by("id").first()
        row.id, row.key, row.close = uuid7(), "0" * 64, closed
        Charge.objects.bulk_create([row])
    problems = closing.differences(north.operator.id)
    assert any("charge " + "0" * 64 in problem for problem in problems)
