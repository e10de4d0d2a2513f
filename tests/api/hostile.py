"""Files that are not what they say, made by the standards named beside them."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from typing import Any

from PIL import Image

SCRIPT = b"<html><script>alert(1)</script></html>"
SVG = b'<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"><script>alert(1)</script></svg>'


def jpeg(**said: Any) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (64, 48), "white").save(out, "JPEG", **said)
    return out.getvalue()


def png(**said: Any) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (64, 48), "white").save(out, "PNG", **said)
    return out.getvalue()


def with_segment(marker: int, content: bytes) -> bytes:
    """A JPEG with one more segment behind its beginning (ITU-T T.81, annex B.1.1.4)."""
    plain = jpeg()
    return plain[:2] + struct.pack(">BBH", 0xFF, marker, len(content) + 2) + content + plain[2:]


def png_of(*chunks: tuple[bytes, bytes]) -> bytes:
    """A PNG of any chunks (ISO 15948, 5.3)."""
    body = b"".join(
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        for kind, data in chunks
    )
    return b"\x89PNG\r\n\x1a\n" + body


def header(width: int, height: int) -> tuple[bytes, bytes]:
    return b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)


def zipped(name: str = "a.html") -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr(name, SCRIPT)
    return out.getvalue()


def located() -> bytes:
    """A JPEG that says where it was taken (Exif 2.32, GPS IFD)."""
    exif = Image.Exif()
    exif[0x010F] = "Invented Maker"
    exif.get_ifd(0x8825).update({1: "N", 2: (54.0, 19.0, 23.0)})
    return jpeg(exif=exif)


def text_chunk(size: int) -> bytes:
    """A text of this many bytes, packed (ISO 15948, 11.3.4.4)."""
    return b"Comment\x00\x00" + zlib.compress(b"\0" * size, 9)
