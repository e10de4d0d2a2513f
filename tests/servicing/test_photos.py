"""Photos: drawn anew by Pillow, judged by what the standards say of the bytes (JPEG: ITU-T T.81; Exif 2.32; PNG: ISO 15948)."""

from __future__ import annotations

import io
import struct
import zlib
from uuid import UUID, uuid4

import pytest
from PIL import Image, ImageChops, ImageOps, ImageStat

from accounts.errors import BadInput, Conflict, Forbidden, NotFound, TooLarge
from accounts.permissions import Role
from servicing.commands.photos import add_photo, remove_photo
from servicing.queries.photos import (
    get_photo,
    photo_content,
    photos_of_events,
    photos_of_site,
    photos_of_unit,
)
from servicing.rules.pictures import MOST_BYTES, drawn_anew
from tests.cast import DAY, NOON

# Exif 2.32: tag 0x0112 is the orientation, 6 "row 0 is the right-hand side"; 0x8825 leads to the position.
ORIENTATION, GPS, TURNED = 0x0112, 0x8825, 6


def jpeg(width=320, height=200, colour="white", **saved):
    out = io.BytesIO()
    Image.new("RGB", (width, height), colour).save(out, "JPEG", **saved)
    return out.getvalue()


def with_position():
    exif = Image.Exif()
    exif[ORIENTATION] = TURNED
    exif.get_ifd(GPS)[2] = (53.0, 11.0, 7.0)
    exif[0x010F] = "Invented camera"
    return jpeg(exif=exif)


def segments(content):
    """The marker segments of a JPEG up to its scan (T.81, annex B), by marker."""
    assert content[:2] == b"\xff\xd8"
    found, at = [], 2
    while True:
        marker, length = struct.unpack(">HH", content[at : at + 4])
        found.append(marker)
        if marker == 0xFFDA:
            return found
        at += 2 + length


def keep(cast, **values):
    rest = {"id": uuid4(), "content": jpeg(), "unit_id": cast.unit.id, "taken_at": NOON, **values}
    return add_photo(actor=cast.crew_phone, **rest)


def test_nothing_of_the_camera_is_left_and_the_picture_stands_upright():
    sent = with_position()
    assert 0xFFE1 in segments(sent)  # APP1: Exif

    drawn = drawn_anew(sent)

    # APP1 to APP15 and COM hold what cameras write; APP0 is JFIF's own header.
    assert not {*range(0xFFE1, 0xFFF0), 0xFFFE} & set(segments(drawn.content))
    assert b"Invented camera" in sent
    assert b"Invented camera" not in drawn.content
    assert (drawn.width, drawn.height) == (200, 320)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation_of_exif_is_turned_as_a_reference_turns_it(orientation):
    picture = Image.linear_gradient("L").resize((96, 64)).convert("RGB")
    picture.paste("red", (0, 0, 32, 16))
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    sent = io.BytesIO()
    picture.save(sent, "PNG", exif=exif)

    with Image.open(sent) as seen, Image.open(io.BytesIO(drawn_anew(sent.getvalue()).content)) as drawn:
        # Pillow's own reading of the tag, by another way than ours.
        apart = ImageChops.difference(ImageOps.exif_transpose(seen), drawn.convert("RGB"))
    assert ImageStat.Stat(apart).mean[0] < 4  # of 255: what a JPEG of this quality loses


def test_a_photo_whose_camera_wrote_nonsense_is_kept_all_the_same():
    exif = Image.Exif()
    exif[ORIENTATION] = TURNED
    exif[0x011A] = 72.0  # the resolution, a fraction of two numbers
    whole = jpeg(exif=exif)
    # Exif 2.32, 4.6.2: an entry's tag, type and count; the type of the resolution is made another one.
    entry = struct.pack(">HHI", 0x011A, 5, 1)
    entry = entry if entry in whole else struct.pack("<HHI", 0x011A, 5, 1)
    assert whole.count(entry) == 1

    for kind in range(256):
        spoiled = whole.replace(entry, entry[:2] + bytes([kind, kind]) + entry[4:])
        assert drawn_anew(spoiled).content[:2] == b"\xff\xd8"


def test_the_longest_side_is_bounded_and_a_small_picture_stays_as_it_is():
    assert (drawn_anew(jpeg(4000, 1000)).width, drawn_anew(jpeg(4000, 1000)).height) == (1600, 400)
    assert drawn_anew(jpeg(1000, 4000)).height == 1600
    assert (drawn_anew(jpeg(40, 30)).width, drawn_anew(jpeg(40, 30)).height) == (40, 30)


def test_what_is_seen_through_in_a_png_stands_on_white():
    out = io.BytesIO()
    Image.new("RGBA", (8, 8), (255, 0, 0, 0)).save(out, "PNG")

    with Image.open(io.BytesIO(drawn_anew(out.getvalue()).content)) as seen:
        assert (seen.format, seen.getpixel((4, 4))) == ("JPEG", (255, 255, 255))


def huge_png(width, height):
    """A PNG of a few bytes whose header (ISO 15948, 11.2.2) claims a picture of any size."""

    def chunk(kind, data):
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    signature = b"\x89PNG\r\n\x1a\n"
    return signature + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")


@pytest.mark.parametrize(("width", "height"), [(6_000, 5_000), (60_000, 60_000), (2**31 - 1, 2**31 - 1)])
def test_a_small_file_that_stands_for_a_huge_picture_is_refused_by_its_header(width, height):
    with pytest.raises((TooLarge, BadInput)):
        drawn_anew(huge_png(width, height))


@pytest.mark.parametrize(
    "content", [b"", b"GIF89a", b"%PDF-1.7", b"<svg/>", jpeg()[:200], b"\xff\xd8\xff\xe0", huge_png(10, 10)]
)
def test_what_is_no_whole_jpeg_or_png_is_refused_in_words(content):
    with pytest.raises(BadInput, match="not a JPEG or PNG"):
        drawn_anew(content)


def test_no_other_format_is_opened():
    out = io.BytesIO()
    Image.new("RGB", (8, 8)).save(out, "TIFF")
    with pytest.raises(BadInput):
        drawn_anew(out.getvalue())


def test_more_than_two_megabytes_are_not_even_opened():
    with pytest.raises(TooLarge, match="2 MB"):
        drawn_anew(jpeg() + b"\0" * MOST_BYTES)


def test_a_photo_is_kept_once_however_often_it_is_sent(north):
    photo_id, content = uuid4(), with_position()

    first, again = keep(north, id=photo_id, content=content), keep(north, id=photo_id, content=content)
    with pytest.raises(Conflict, match="other content"):
        keep(north, id=photo_id, content=jpeg(colour="black"))

    assert (first.sha256, first.received_at) == (again.sha256, again.received_at)
    assert first.device_id == north.phone.id
    with north.reading():
        assert [one.id for one in photos_of_unit(north.unit.id)] == [photo_id]
        assert b"Invented" not in photo_content(photo_id)


def test_a_photo_belongs_to_the_place_of_its_visit_even_when_it_comes_before_the_events(north):
    install, visit = north.installed(at=NOON - DAY), uuid4()
    exchange = north.exchanged(at=NOON, visit=visit)
    made = north.event("visit.made", visit, NOON, site_id=north.site.id, outcome="served")
    early = keep(north, event_id=exchange["id"], visit_id=visit)
    north.upload(install, exchange, made)

    late = keep(north, event_id=exchange["id"], visit_id=visit, taken_at=NOON + DAY)

    with north.reading():
        assert (get_photo(early.id).site_id, get_photo(late.id).site_id) == (None, north.site.id)
        assert [one.id for one in photos_of_site(north.site.id)] == [late.id, early.id]
        by_event = photos_of_events([UUID(exchange["id"]), UUID(install["id"])])
    assert {str(event): [one.id for one in photos] for event, photos in by_event.items()} == {
        exchange["id"]: [early.id, late.id]
    }


def test_photos_of_a_site_and_of_a_visits_own_event_are_found(north):
    visit = uuid4()
    made = north.event("visit.made", visit, NOON, site_id=north.site.id, outcome="served")
    north.upload(made)
    photo = keep(north, unit_id=None, site_id=north.site.id, event_id=made["id"])

    with north.reading():
        assert [one.id for one in photos_of_events([photo.event_id])[photo.event_id]] == [photo.id]
        assert photos_of_events([]) == {}


def test_the_photo_of_nothing_or_of_a_rivals_thing_is_refused(north, south):
    with pytest.raises(BadInput, match="which unit or site"):
        keep(north, unit_id=None)
    for rival in ({"unit_id": south.unit.id}, {"unit_id": None, "site_id": south.site.id}):
        with pytest.raises(NotFound):
            keep(north, **rival)
    photo = keep(south)
    with north.reading(), pytest.raises(NotFound):
        photo_content(photo.id)
    # A rival's photo with the same id does not stand in the way.
    assert keep(north, id=photo.id).received_at == NOON


def test_only_who_may_erase_what_people_said_removes_a_photo(north):
    photo = keep(north)
    with pytest.raises(Forbidden):
        remove_photo(actor=north.dispatcher, photo_id=photo.id)
    with pytest.raises(Forbidden):
        add_photo(
            actor=north.actors[Role.VIEWER], id=uuid4(), content=jpeg(), unit_id=north.unit.id, taken_at=NOON
        )

    remove_photo(actor=north.owner, photo_id=photo.id)

    with north.reading(), pytest.raises(NotFound):
        photo_content(photo.id)
    with pytest.raises(NotFound):
        remove_photo(actor=north.owner, photo_id=photo.id)
