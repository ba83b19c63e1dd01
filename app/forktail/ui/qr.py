"""A text as a QR code (ISO/IEC 18004), drawn here: nothing is asked of a network."""

import io

import segno
from segno import DataOverflowError


def qr_svg(text):
    """SVG of the QR code of a text, or "" if it is too long for one.

    Dark on light in both themes, or no reader finds it.
    """
    out = io.BytesIO()
    try:
        code = segno.make(text, error="m", micro=False, boost_error=False)
    except DataOverflowError:
        return ""
    code.save(
        out,
        kind="svg",
        scale=1,
        border=4,
        light="white",
        dark="black",
        xmldecl=False,
        svgns=True,
        omitsize=True,
        svgclass="qr",
        lineclass=None,
    )
    return out.getvalue().decode("utf-8")
