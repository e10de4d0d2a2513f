"""A photo drawn anew: checked to be a picture, turned upright, made no larger than needed, without what the camera wrote."""

from __future__ import annotations

import io
import struct
import warnings
from dataclasses import dataclass

from PIL import Image, UnidentifiedImageError

from accounts.errors import BadInput, Problem, TooLarge
from accounts.languages import _

MOST_BYTES = 2 * 1024 * 1024
# By judgement: what a wall, a unit and a label need to be told apart on; a phone's picture has three times as many.
LONGEST_SIDE = 1_600
# A small file may stand for a huge picture; this one is 100 MB while it is drawn.
MOST_PIXELS = 25_000_000
QUALITY = 82
SMALL_SIDE = 320

_WHITE = (255, 255, 255)
# How a picture is turned upright, by its orientation in Exif 2.32 (tag 0x0112).
_ORIENTATION = 0x0112
_TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}


@dataclass(frozen=True, slots=True)
class Drawn:
    """A baseline JPEG in RGB with no metadata."""

    content: bytes
    width: int
    height: int


def drawn_anew(content: bytes) -> Drawn:
    """A JPEG or PNG as the picture that is kept. TooLarge over 2 MB; BadInput for what is no such picture."""
    if len(content) > MOST_BYTES:
        raise TooLarge(
            _("A photo may have up to 2 MB. Nothing was stored; make it smaller and send it again.")
        )
    try:
        with warnings.catch_warnings():
            # Its own bound is a warning below twice that size; ours comes first.
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            return _drawn(content)
    except Image.DecompressionBombError as wrong:
        raise _too_many_pixels() from wrong
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError) as wrong:
        raise _no_picture() from wrong


def small(content: bytes) -> bytes:
    """A kept picture made small, for a page that shows many."""
    with Image.open(io.BytesIO(content), formats=("JPEG",)) as opened:
        opened.draft("RGB", (SMALL_SIDE, SMALL_SIDE))
        opened.thumbnail((SMALL_SIDE, SMALL_SIDE))
        out = io.BytesIO()
        opened.save(out, "JPEG", quality=QUALITY)
    return out.getvalue()


def small_size(width: int, height: int) -> tuple[int, int]:
    """How wide and high a picture of this size is once it is small."""
    scale = min(1.0, SMALL_SIDE / max(width, height))
    return max(1, round(width * scale)), max(1, round(height * scale))


def _drawn(content: bytes) -> Drawn:
    # Only the header is read until something asks for pixels.
    with Image.open(io.BytesIO(content), formats=("JPEG", "PNG")) as opened:
        if opened.width * opened.height > MOST_PIXELS:
            raise _too_many_pixels()
        # A JPEG can be read at a half, a quarter or an eighth of its size.
        opened.draft("RGB", (LONGEST_SIDE, LONGEST_SIDE))
        turn = _turn(opened)
        # Made smaller first, so that no second picture of full size is held.
        opened.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
        plain = _on_white(opened if turn is None else opened.transpose(turn))
    out = io.BytesIO()
    plain.save(out, "JPEG", quality=QUALITY, optimize=True)
    return Drawn(out.getvalue(), plain.width, plain.height)


def _turn(opened: Image.Image) -> Image.Transpose | None:
    """How to turn it upright; None too where what the camera wrote can't be read, which spoils no picture."""
    try:
        orientation = opened.getexif().get(_ORIENTATION)
    except (AttributeError, LookupError, SyntaxError, TypeError, ValueError, struct.error):
        return None
    return _TURNS.get(orientation) if isinstance(orientation, int) else None


def _on_white(picture: Image.Image) -> Image.Image:
    """A new picture of the pixels alone; whatever is seen through stands on white."""
    whole = picture.convert("RGBA") if picture.has_transparency_data else picture.convert("RGB")
    plain = Image.new("RGB", whole.size, _WHITE)
    plain.paste(whole, mask=whole if whole.mode == "RGBA" else None)
    return plain


def _too_many_pixels() -> TooLarge:
    return TooLarge(
        _("A photo may have up to 25 million pixels. Nothing was stored; make it smaller and send it again.")
    )


def _no_picture() -> BadInput:
    said = _("This is not a JPEG or PNG that can be read. Nothing was stored; take the photo again.")
    return BadInput(said, errors=[Problem("", "no-picture", said)])
