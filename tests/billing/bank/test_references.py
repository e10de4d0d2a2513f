"""The creditor reference against published examples, another implementation, and the check sum's own promise."""

from __future__ import annotations

import io
import string

import pytest
import segno
from hypothesis import assume, given
from hypothesis import strategies as st
from stdnum import iso11649

from billing.rules.bank import references
from billing.rules.letters import paying
from tests.billing.electronic import papers

NUMBERS = st.text(string.ascii_uppercase + string.digits, min_size=1, max_size=references.MOST)


@pytest.mark.parametrize(
    ("reference", "own"),
    [
        # The structured reference of the example in EPC069-12 (from memory), also in the documentation of python-stdnum.
        ("RF18539007547034", "539007547034"),
        # An example often printed for ISO 11649 (from memory); its check digits are computed here.
        ("RF712348231", "2348231"),
    ],
)
def test_published_references_are_made_and_read(reference, own):
    assert references.rf_reference(own) == reference
    assert references.parsed(reference) == own
    assert iso11649.is_valid(reference)


@given(NUMBERS)
def test_another_implementation_accepts_what_is_made(number):
    reference = references.rf_reference(number)
    assert iso11649.validate(reference) == reference
    assert references.parsed(references.printed(reference)) == (number.lstrip("0") or "0")


@given(NUMBERS, st.data())
def test_one_wrong_sign_shows(number, data):
    """A digit for a digit, or a letter for a letter, always leaves another rest: 97 is prime and they differ by less.

    A digit for a letter changes how many digits are divided; of those the check lets one in 97 through.
    """
    reference = references.rf_reference(number)
    at = data.draw(st.integers(2, len(reference) - 1))
    same_kind = string.digits if reference[at].isdigit() else string.ascii_uppercase
    other = data.draw(st.sampled_from(same_kind.replace(reference[at], "")))
    wrong = reference[:at] + other + reference[at + 1 :]
    assert references.parsed(wrong) == ""
    assert not iso11649.is_valid(wrong)


@given(NUMBERS, st.data())
def test_two_swapped_signs_of_a_kind_show(number, data):
    reference = references.rf_reference(number)
    at = data.draw(st.integers(4, len(reference) - 1))
    first, second = reference[at], reference[at + 1 : at + 2]
    assume(second and first != second and first.isdigit() == second.isdigit())
    wrong = reference[:at] + second + first + reference[at + 2 :]
    assert references.parsed(wrong) == ""


@given(st.integers(0, 99), NUMBERS)
def test_the_same_check_digits_are_right_as_for_another_implementation(digits, number):
    text = f"RF{digits:02d}{number}"
    assert references.is_reference(text) == iso11649.is_valid(text)


@pytest.mark.parametrize(
    ("number", "reference"),
    [("INV-000123", "RF73INV000123"), ("inv 000123", "RF73INV000123"), ("--", ""), ("X" * 22, ""), ("", "")],
)
def test_a_number_is_referred_to_by_its_letters_and_digits(number, reference):
    assert references.rf_reference(number) == reference


@pytest.mark.parametrize(
    "text", ["", "RF", "RF17539007547034", "RF1853900754703", "INV-000123", "RF18" + "1" * 22]
)
def test_what_is_no_reference_is_none(text):
    assert references.parsed(text) == ""


def test_leading_zeros_are_padding():
    """A bank may fill a reference up with zeros in front; its check digits are then those of the longer one."""
    padded = references.rf_reference("000000539007547034")
    assert references.parsed(padded) == references.parsed("RF18539007547034") == "539007547034"


# Where a payer meets it


def code_of(*, reference="", text=""):
    """The code by the lines of EPC069-12, version 2, put together here: from the service tag to reference and words."""
    issuer, amount = papers.issuer(), papers.paper([papers.line(1)])["payable"]
    short = amount.rstrip("0").rstrip(".")
    lines = ["BCD", "002", "2", "SCT", issuer["bic"], issuer["legal_name"], issuer["iban"], f"EUR{short}", ""]
    data = "\n".join([*lines, reference, *([text] if text else [])]).encode("iso-8859-1")
    image = io.BytesIO()
    code = segno.make_qr(data, error="m", boost_error=False)
    code.save(image, kind="svg", border=0, xmldecl=False, svgclass=None, lineclass=None)
    return image.getvalue().decode()


def test_a_letter_and_its_code_quote_the_reference():
    document = papers.paper([papers.line(1)])
    told = paying.payment(document)
    assert ["Reference", "RF73 INV0 0012 3"] in told["rows"]
    assert "quoting INV-000123" in told["sentence"]
    assert told["code"] == code_of(reference="RF73INV000123") != code_of(text="INV-000123")


def test_a_number_that_has_no_reference_is_quoted_itself():
    long = "AGREEMENT-OF-THE-BOOKS-BEFORE-17"
    document = papers.paper([papers.line(1)]) | {"number": long}
    assert ["Reference", long] in paying.payment(document)["rows"]
    assert paying.transfer_code(document) == code_of(text=long)
