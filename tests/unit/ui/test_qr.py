"""A link as a QR code: what goes into one, and that its size is that of the standard."""

import re

from forktail.ui.controls import MAX_ADDRESS, Controls
from forktail.ui.qr import qr_svg
from forktail.ui.state import PageState


def test_a_code_is_as_large_as_its_text_needs():
    # ISO/IEC 18004, level M, bytes: version 2 (25 modules) holds 26, version 3 (29) holds 42.
    for length, modules in ((26, 25), (27, 29), (42, 29)):
        svg = qr_svg("http://b/" + "x" * (length - 9))
        assert re.search(r'viewBox="0 0 (\d+) ', svg)[1] == str(modules + 8)  # a border of 4
        assert svg.startswith("<svg ") and "xmlns=" in svg


def test_what_no_code_holds_gives_none():
    # ISO/IEC 18004: version 40 at level M holds 2331 bytes.
    assert qr_svg("x" * 2331) and qr_svg("x" * 2332) == ""


def test_a_page_makes_codes_of_web_addresses_alone():
    controls = Controls(PageState(), list)
    for address, there in (
        ("https://bench.example/?v_upper=5mV", True),
        ("javascript:alert(1)", False),
        ("http://b/" + "x" * 9000, False),
    ):
        controls.handle({"kind": "qr", "address": address})
        assert bool(controls.patch["qr"]) == there
    assert MAX_ADDRESS > 2331
