"""The code beside a restroom's door: a QR symbol of an address, as small as it gets for the level it is printed at."""

from __future__ import annotations

import io

import segno


def code_of(address: str) -> segno.QRCode:
    """The symbol (ISO/IEC 18004) of an address in capitals, which takes its alphanumeric mode, at recovery level H.

    ValueError for an address with other characters than that mode has: it would need the path's own case.
    """
    code = segno.make(address.upper(), error="h", micro=False, boost_error=False)
    if code.mode != "alphanumeric":
        raise ValueError(f"{address!r} has characters that no alphanumeric code has.")
    return code


def code_svg(address: str, title: str) -> str:
    """The symbol as SVG for a page, black on white, with its quiet zone of four modules; its size is the page's affair."""
    image = io.BytesIO()
    code_of(address).save(
        image,
        kind="svg",
        border=4,
        dark="#000",
        light="#fff",
        omitsize=True,
        xmldecl=False,
        svgclass="code",
        lineclass=None,
        title=title,
    )
    return image.getvalue().decode()
