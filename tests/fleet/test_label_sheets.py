"""Sheets of labels: codes of the size and recovery that the standard asks for, on paper of real size."""

from __future__ import annotations

import io

import pypdf
import pytest
import segno

from fleet.rules import label_sheet
from fleet.rules.label_sheet import Label

ADDRESS = "https://app.example.org/u/7K3M9Q2X3"


def test_an_address_in_capitals_takes_a_small_code_with_the_highest_recovery():
    drawn = label_sheet.draw(ADDRESS)

    # ISO/IEC 18004:2015, table 7 (from memory): version 3 at level H holds 35 alphanumeric characters, but only 24 bytes;
    # its side is 4 * 3 + 17 = 29 modules (clause 5.3), and four modules of white stand around it (5.3.8).
    assert len(ADDRESS) == 35
    assert drawn.modules == 29 + 2 * 4
    assert segno.make(ADDRESS, error="h", boost_error=False).version > 3
    assert f'viewBox="0 0 {drawn.modules} {drawn.modules}"' in drawn.svg


@pytest.mark.parametrize(
    "host", ["a.example", "app.example.org", "wickround.a-rather-long-name.example.org", "x" * 90]
)
def test_a_module_is_never_smaller_than_half_a_millimetre(host):
    drawn = label_sheet.draw(f"https://{host}/u/7K3M9Q2X3")

    assert drawn.side_mm / drawn.modules >= 0.5
    assert drawn.side_mm <= label_sheet.CELL_WIDTH_MM


# ISO 216 for A4; ANSI/ASME Y14.1 for size A: 8.5 by 11 inches of 25.4 mm.
@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210, 297)), ("letter", (8.5 * 25.4, 11 * 25.4))])
def test_sheets_are_of_the_papers_real_size(paper, size_mm):
    labels = [Label(f"7K3M9Q{n:03}", f"{ADDRESS[:-3]}{n:03}", "Fixture Care") for n in range(40)]
    pages = pypdf.PdfReader(io.BytesIO(label_sheet.sheets(labels, paper=paper))).pages

    box = pages[0].mediabox
    points = 72 / 25.4
    assert (float(box.width) / points, float(box.height) / points) == pytest.approx(size_mm, abs=0.01)
    texts = [page.extract_text() for page in pages]
    assert [text.count("Fixture Care") for text in texts] == [35, 5]
    assert "7K3 M9Q 000" in texts[0]
    assert "this line is 50 mm long" in texts[0]
