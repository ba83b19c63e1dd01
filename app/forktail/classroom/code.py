"""The address of a room as a QR code."""

import re

from forktail.core.checks import QuantityError
from forktail.ui.qr import qr_svg


def address_code(address):
    """SVG of the QR code of an address.

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
    return qr_svg(address)
