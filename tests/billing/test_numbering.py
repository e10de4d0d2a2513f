"""Numbers of documents: one series for each legal entity and kind, without gaps whoever draws at once and whatever fails."""

from concurrent.futures import ThreadPoolExecutor

from django.db import connections, transaction

from accounts import tenancy
from billing.commands import numbering, parties
from billing.models import NumberSeries
from billing.queries import parties as known
from billing.rules.parties import Entity


def drawn_in_a_transaction(cast, fails):
    """The number drawn, or None where the transaction is rolled back after drawing."""
    try:
        with tenancy.operator_scope(cast.operator.id):
            number = numbering.draw_numbers(numbering.locked_series(), 1)
            transaction.set_rollback(fails)
            return None if fails else number
    finally:
        connections.close_all()


def test_numbers_drawn_at_once_and_rolled_back_leave_no_gap(north):
    # Invariant 7 of billing: every third transaction is rolled back after it has drawn its number.
    with ThreadPoolExecutor(4) as pool:
        drawn = list(pool.map(lambda n: drawn_in_a_transaction(north, n % 3 == 0), range(24)))
    assert sorted(number for number in drawn if number is not None) == list(range(1, 17))


def series_codes(cast, entity, *, is_default):
    with tenancy.operator_scope(cast.operator.id):
        numbering.locked_series()
        invoices = numbering.series_of(entity, "invoice", is_default=is_default)
        return invoices.code, numbering.credit_series(invoices).code


def entity(cast, code, **values):
    row = {"legal_name": f"{code} GmbH", "country": "DE", **values}
    parties.set_legal_entity(actor=cast.owner, code=code, values=row)
    with cast.reading():
        return next(one for one in known.entities().values() if one.code == code)


def test_each_legal_entity_has_series_of_its_own(north):
    main, other = entity(north, "MAIN"), entity(north, "OTHER")
    assert series_codes(north, main, is_default=True) == ("INV", "CRN")
    assert series_codes(north, other, is_default=False) == ("INV-OTHER", "CRN-OTHER")
    with north.reading():
        owners = dict(NumberSeries.objects.values_list("code", "legal_entity_id"))
    assert owners == {"INV": main.id, "CRN": main.id, "INV-OTHER": other.id, "CRN-OTHER": other.id}


def test_an_entity_keeps_its_series_when_another_becomes_the_default(north):
    main, other = entity(north, "MAIN"), entity(north, "OTHER")
    assert series_codes(north, main, is_default=True)[0] == "INV"
    assert series_codes(north, other, is_default=True) == ("INV-OTHER", "CRN-OTHER")
    assert series_codes(north, main, is_default=False) == ("INV", "CRN")


def test_an_operator_without_legal_entities_goes_on_with_its_series_when_it_gets_one(north):
    alone = Entity(None, "", "North", "EUR")
    assert series_codes(north, alone, is_default=True) == ("INV", "CRN")
    assert series_codes(north, entity(north, "MAIN"), is_default=True) == ("INV", "CRN")


def test_a_number_has_six_digits_and_grows_beyond_them():
    series = NumberSeries(code="INV-OTHER")
    assert numbering.number_text(series, 7) == "INV-OTHER-000007"
    assert numbering.number_text(series, 1_234_567) == "INV-OTHER-1234567"
