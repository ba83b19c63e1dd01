"""The address of a room as a QR code (ISO/IEC 18004), drawn here: nothing is asked of a network."""

import io
import re

import segno

from forktail.core.checks import QuantityError


def address_code(address):
    """SVG of the QR code of an address; dark on light in both themes, or no reader finds it.

    Raises
    ------
    QuantityError
        If it is no http address of sensible length.
    """
    address = str(address)
    if not re.fullmatch(r"https?://[\w.\-\[\]:]{1,100}(?:/[\w./\-]{0,100})?", address):
        raise QuantityError(
            "The address cannot be turned into a QR code; give one such as http://192.168.1.20:5006/join."
        )
    out = io.BytesIO()
    segno.make(address, error="m", micro=False).save(
        out,
        kind="svg",
        scale=1,
        border=4,
        light="#ffffff",
        dark="#111111",
        xmldecl=False,
        svgns=True,
        omitsize=True,
        svgclass="qr",
        lineclass=None,
    )
    return out.getvalue().decode("utf-8")
