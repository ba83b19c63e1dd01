"""Words and values as they are written on pages, in terminals and in files of numbers."""

import csv
import io
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forktail.core.quantities import (
    format_quantity,
    format_signed,
    format_temperature,
    parse_quantity,
)
from forktail.ui.text import csv_columns, csv_text, decibels, keep_together, typed


@pytest.mark.parametrize(
    "text, plain",
    [
        ("\u22125.00 \u00b5A", "-5.00 uA"),
        ("25.0 \u00b0C", "25.0 degC"),
        ("90.0\u00b0", "90.0 deg"),
        ("2.2\u00a0k\u03a9 \u00b15 %", "2.2 kohm +/-5 %"),
        ("\u201cM\u00fcller\u2019s board\u201d", '"M\u00fcller\'s board"'),
    ],
)
def test_typed_signs_are_on_a_keyboard(text, plain):
    assert typed(text) == plain


@given(
    st.floats(-1e6, 1e6).filter(lambda v: abs(v) > 1e-9), st.sampled_from(["V", "A", "ohm", "Hz"])
)
def test_what_is_typed_reads_back(value, unit):
    shown = typed(format_quantity(value, unit, 9))
    assert shown.isascii() and parse_quantity(shown, unit) == pytest.approx(value, rel=1e-8)
    assert typed(format_temperature(298.15)) == "25.0 degC"


def test_levels_and_signs():
    assert [decibels(v) for v in (-31.44, 0.0, -0.01)] == ["\u221231.4 dB", "0.0 dB", "0.0 dB"]
    assert [format_signed(v, "V") for v in (0.01, 0.0, -0.01)] == [
        "+10.0 mV",
        "0 V",
        "\u221210.0 mV",
    ]


def test_a_number_stays_with_its_unit():
    assert keep_together("1.2 mV and 30 % of 4 cells") == "1.2\u00a0mV and 30\u00a0% of 4 cells"


@given(
    st.lists(
        st.tuples(
            st.floats(allow_nan=False, allow_infinity=False),
            st.text(
                st.characters(blacklist_characters="\r\x00", blacklist_categories=["Cs"]),
                max_size=20,
            ),
        ),
        max_size=8,
    )
)
def test_csv_reads_back_whatever_stands_in_it(rows):
    read = list(csv.reader(io.StringIO(csv_text(("number", "text"), rows), newline="")))
    assert read[0] == ["number", "text"]
    for (number, text), (a, b) in zip(rows, read[1:], strict=True):
        assert float(a) == number
        assert b == (f"'{text}" if text[:1] in ("=", "+", "@", "\t") and text else text)


def test_csv_of_columns_leaves_gaps_empty():
    text = csv_columns(("x", "y"), ([0.1, 0.2, 0.3], np.array([1 / 3, math.nan], np.float64)))
    assert text == "x,y\n0.1,0.333333333\n0.2,\n0.3,\n"
