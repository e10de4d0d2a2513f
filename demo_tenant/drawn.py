"""Pictures and papers of the invented world, drawn here and labelled as invented: nothing in them was ever photographed."""

from __future__ import annotations

import io

import typst
from PIL import Image, ImageDraw, ImageFont

from demo_tenant.streams import Stream

WIDTH, HEIGHT = 960, 720
TILE = 96
WALLS = ("#dfe4e2", "#e6e0d6", "#d9e0e8")
LABEL = "Invented picture"

SHEET = """
#set page(paper: "a4", margin: 24mm, footer: align(center)[INVENTED: of no real product])
#set text(size: 11pt)
#set document(title: [Safety data sheet, invented], date: none)
= Safety data sheet: {name}
*This sheet is invented.* It belongs to a trial and describes no real product. For a real liquid its maker's sheet and
the label rule.

== 2 Hazards
{hazards}

== 4 First aid
Eyes: rinse with water for 15 minutes and see a doctor. Skin: wash off. Swallowed: rinse the mouth, do not make the person
vomit, call for help.

== 7 Handling
Gloves and eye protection. Keep apart from bleach and chlorine tablets.

== 16 Other
Revision of {revision}.
"""
HAZARDS = {
    "acid": "Irritates skin and eyes. *Never bring it near hypochlorite bleach: chlorine gas can form.*",
    "enzyme": "May irritate eyes.",
    "neutral": "None are known at the strength in which it is used.",
}


def photo(stream: Stream, *, code: str, caption: str, stained: bool) -> bytes:
    """A drip unit over a fixture on a tiled wall, as JPEG; ``stained`` adds what dripped where it should not."""
    image = Image.new("RGB", (WIDTH, HEIGHT), WALLS[stream.whole(0, len(WALLS) - 1)])
    draw = ImageDraw.Draw(image)
    for x in range(0, WIDTH, TILE):
        draw.line([(x, 0), (x, HEIGHT)], fill="#c4cac8", width=3)
    for y in range(0, HEIGHT, TILE):
        draw.line([(0, y), (WIDTH, y)], fill="#c4cac8", width=3)
    left = 330 + stream.whole(-60, 60)
    draw.rounded_rectangle([left, 90, left + 300, 360], 24, fill="#f7f7f4", outline="#5b6164", width=5)
    draw.rectangle([left + 100, 120, left + 200, 280], fill="#cfe3e4", outline="#5b6164", width=3)
    level = 120 + stream.whole(20, 140)
    draw.rectangle([left + 103, level, left + 197, 277], fill="#5d9aa0")
    draw.line([(left + 150, 360), (left + 150, 470)], fill="#5b6164", width=6)
    draw.ellipse([left - 40, 450, left + 340, 700], fill="#fbfbfa", outline="#5b6164", width=5)
    if stained:
        draw.polygon([(left + 20, 360), (left + 60, 360), (left + 48, 640), (left + 24, 640)], fill="#a9c4b8")
    font = ImageFont.load_default(size=26)
    draw.rectangle([0, HEIGHT - 52, WIDTH, HEIGHT], fill="#1f2328")
    draw.text((18, HEIGHT - 42), f"{LABEL}: {code}, {caption}", fill="#ffffff", font=font)
    kept = io.BytesIO()
    image.save(kept, "JPEG", quality=70)
    return kept.getvalue()


def safety_sheet(*, name: str, family: str, revision: str) -> bytes:
    """An invented safety data sheet of one page, as PDF."""
    source = SHEET.format(name=name, hazards=HAZARDS[family], revision=revision)
    return bytes(typst.compile(source.encode(), format="pdf"))
