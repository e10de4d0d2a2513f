"""The creditor reference against published examples, another implementation, and the check sum's own promise."""

from __future__ import annotations

import io
import string

import pytest
import segno
from hypothesis import given
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
def test_one_wrong_sign_and_two_swapped_ones_show(number, data):
    """What the check is for: ISO/IEC 7064 promises it for any single wrong sign, and for two swapped neighbours."""
    reference = references.rf_reference(number)
    at = data.draw(st.integers(2, len(reference) - 1))
    other = data.draw(st.sampled_from(string.digits if at < 4 else string.ascii_uppercase + string.digits))
    wrong = reference[:at] + other + reference[at + 1 :]
    if wrong != reference:
        assert references.parsed(wrong) == "" or _differ_by_97(number, reference, wrong)
        assert references.is_reference(wrong) == iso11649.is_valid(wrong)


def _differ_by_97(_number, reference, wrong):
    """Two check digits more than 97 apart are the one case that it cannot tell: 00 to 02 are never made."""
    return reference[2:4] != wrong[2:4] and (int(reference[2:4]) - int(wrong[2:4])) % 97 == 0


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
