"""Engineering values: reading, writing, units, and messages that say what would be right."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forktail.core.checks import QuantityError, as_quantity, broadcast_shape
from forktail.core.quantities import (
    PREFIXES,
    UNITS,
    format_quantity,
    format_temperature,
    parse_quantity,
    parse_temperature,
)
from helpers import finite

READ = [
    ("10mV", "V", 10e-3),
    ("2.2k", "ohm", 2200.0),
    ("2k2", "ohm", 2200.0),
    ("4u7", "F", 4.7e-6),
    ("0.1uF", "F", 0.1e-6),
    ("-5e-3", "V", -5e-3),
    ("1.5 mA", "A", 1.5e-3),
    (" 12 V ", "V", 12.0),
    ("+3V", "V", 3.0),
    ("-5mV", "V", -5e-3),
    ("\u22125\u00a0mV", "V", -5e-3),
    ("4.7 \u00b5F", "F", 4.7e-6),
    ("4.7\u03bcF", "F", 4.7e-6),
    ("1\u202fk\u03a9", "ohm", 1e3),
    ("2.2K", "ohm", 2200.0),
    ("2K2", "ohm", 2200.0),
    ("4R7", "ohm", 4.7),
    ("R47", "ohm", 0.47),
    ("3V3", "V", 3.3),
    ("1M", "ohm", 1e6),
    ("0,5 V", "V", 0.5),
    (".5V", "V", 0.5),
    ("5.", "V", 5.0),
    ("45kHz", "Hz", 45e3),
    ("20 ms", "s", 0.02),
    ("250mW", "W", 0.25),
    ("90deg", "deg", 90.0),
    ("90\u00b0", "deg", 90.0),
    ("-3 dB", "dB", -3.0),
    ("5 %", "%", 5.0),
    ("298K", "K", 298.0),
    ("2 F", "F", 2.0),
    ("3f", "F", 3e-15),
    ("2p2F", "F", 2.2e-12),
    ("100n", "F", 1e-7),
    ("10 ohms", "ohm", 10.0),
    ("1e3", "ohm", 1000.0),
    ("1E-3 V", "V", 1e-3),
    ("42", "", 42.0),
    (12, "V", 12.0),
    (1.5e-3, "A", 1.5e-3),
    ("2G2", "Hz", 2.2e9),
    ("10uH", "H", 1e-5),
]


@pytest.mark.parametrize("text, unit, value", READ, ids=[f"{t}|{u}" for t, u, _ in READ])
def test_engineering_value_is_read(text, unit, value):
    assert parse_quantity(text, unit) == pytest.approx(value, rel=1e-15, abs=0)


REFUSED = [
    ("10mA", "V", ["10mA", "a current", "a voltage", "10mV"]),
    ("10mV", "A", ["10mV", "a voltage", "a current", "1.5mA"]),
    ("5 apples", "V", ["5 apples", "apples", "not a known prefix and unit", "10mV"]),
    ("many", "V", ["many", "not a value", "10mV"]),
    ("", "V", ["not a value"]),
    ("1e999", "V", ["1e999", "not a finite number"]),
    ("nan", "V", ["nan", "not a value"]),
    ("1k2V", "A", ["1k2V", "a voltage", "a current"]),
    ("R47", "V", ["R47", "a resistance", "a voltage"]),
    ("10", "V", ["10", "out of range", "-1.00 V to 1.00 V"]),
    ("9" * 60, "V", ["too long"]),
    (float("nan"), "V", ["not a finite number"]),
    (True, "V", ["not a value"]),
    ("1,000.5", "V", ["not a known prefix"]),
    ("5V5V", "V", ["5V5V"]),
]


@pytest.mark.parametrize("text, unit, parts", REFUSED, ids=[f"{t}|{u}"[:20] for t, u, _ in REFUSED])
def test_refusal_names_argument_value_and_what_is_wanted(text, unit, parts):
    with pytest.raises(QuantityError) as error:
        parse_quantity(text, unit, "v_upper", low=-1.0, high=1.0)
    for part in ["v_upper", *parts]:
        assert part in str(error.value)
    assert "\n" not in str(error.value)


def test_bounds_are_inclusive():
    assert parse_quantity("1V", "V", low=1.0, high=1.0) == 1.0
    with pytest.raises(QuantityError, match="it must be 1.00 V to any"):
        parse_quantity("999mV", "V", low=1.0)


SHOWN = [
    (0.00152, "A", "1.52 mA"),
    (0.0, "V", "0 V"),
    (-0.0412, "V", "\u221241.2 mV"),
    (2200.0, "ohm", "2.20 k\u03a9"),
    (999.9e-3, "V", "1.00 V"),
    (4.7e-6, "F", "4.70 \u00b5F"),
    (45e3, "Hz", "45.0 kHz"),
    (5.0, "%", "5.00 %"),
    (90.0, "deg", "90.0\u00b0"),
    (float("inf"), "V", "inf V"),
    (float("nan"), "V", "not a number"),
    (-3.0, "dB", "\u22123.00 dB"),
    (7.6e-9, "V/sqrt(Hz)", "7.60 nV/\u221aHz"),
]


@pytest.mark.parametrize("value, unit, text", SHOWN, ids=[t for _, _, t in SHOWN])
def test_value_is_written_with_prefix(value, unit, text):
    assert format_quantity(value, unit) == text


def test_ascii_form_holds_ascii_only():
    assert format_quantity(-4.7e-6, "F", ascii_only=True) == "-4.70 uF"
    assert format_quantity(2200.0, "ohm", ascii_only=True) == "2.20 kohm"
    assert format_quantity(7.6e-9, "V/sqrt(Hz)", ascii_only=True) == "7.60 nV/sqrt(Hz)"
    for unit in UNITS:
        format_quantity(-1.5e-5, unit, ascii_only=True).encode("ascii")


@given(finite(-1e12, 1e12), st.sampled_from(sorted(UNITS)), st.integers(1, 6), st.booleans())
def test_written_value_reads_back_to_its_digits(value, unit, digits, ascii_only):
    text = format_quantity(value, unit, digits, ascii_only)
    back = parse_quantity(text, unit)
    if abs(value) < 1e-12:  # below the smallest prefix the digits shown end at a fixed place
        assert back == pytest.approx(value, rel=0.6 * 10.0 ** (1 - digits), abs=1e-17)
    else:
        assert back == pytest.approx(value, rel=0.5001 * 10.0 ** (1 - digits), abs=0)


@given(
    st.integers(1, 999), st.sampled_from(["p", "n", "u", "m", "k", "M", "G"]), st.integers(0, 99)
)
def test_letter_in_place_of_the_point_equals_the_point(whole, prefix, decimals):
    # IEC 60062: the prefix letter stands for the decimal point
    assert parse_quantity(f"{whole}{prefix}{decimals:02d}", "ohm") == parse_quantity(
        f"{whole}.{decimals:02d}{prefix}", "ohm"
    )


@given(st.sampled_from(sorted(PREFIXES)), finite(0.001, 999.0))
def test_prefix_scales_by_its_factor(prefix, value):
    assert parse_quantity(f"{value!r}{prefix}V", "V") == pytest.approx(value * PREFIXES[prefix])


@given(st.text(max_size=50), st.sampled_from(sorted(UNITS)))
def test_any_text_is_read_or_refused_in_one_sentence(text, unit):
    try:
        assert math.isfinite(parse_quantity(text, unit, "entry"))
    except QuantityError as error:
        assert str(error).startswith("entry: ") and str(error).endswith(".")


def test_temperature_is_celsius_unless_kelvin_is_said():
    for text in ("25", "25C", "25 degC", "25 \u00b0C", 25, 25.0, "298.15K", "298.15 K"):
        assert parse_temperature(text) == pytest.approx(298.15)
    assert parse_temperature("\u221240 \u00b0C") == pytest.approx(233.15)
    assert format_temperature(298.15) == "25.0 \u00b0C"
    assert format_temperature(273.149) == "0.0 \u00b0C"
    assert format_temperature(233.15, ascii_only=True) == "-40.0 degC"


@pytest.mark.parametrize(
    "text, part",
    [
        ("0K", "not above zero kelvin"),
        ("-300", "not above zero kelvin"),
        ("25F", "not a temperature"),
        ("warm", "not a temperature"),
        ("25mV", "not a temperature"),
    ],
)
def test_temperature_refused(text, part):
    with pytest.raises(QuantityError) as error:
        parse_temperature(text, "--temp")
    assert all(p in str(error.value) for p in ("--temp", text, part))


@given(finite(1.0, 2000.0))
def test_temperature_text_reads_back(kelvin):
    assert parse_temperature(format_temperature(kelvin)) == pytest.approx(kelvin, abs=0.0501)


# core.checks: what every function of the core says of a bad argument


@pytest.mark.parametrize(
    "value, bounds, parts",
    [
        (-1e-3, dict(low=0.0), ["i_tail", "-0.001 A", "at least 0 A"]),
        (0.0, dict(low=0.0, low_open=True), ["i_tail", "0 A", "above 0 A"]),
        (5.0, dict(low=0.0, high=1.0), ["i_tail", "5 A", "0 to 1 A"]),
        (5.0, dict(high=1.0), ["i_tail", "5 A", "at most 1 A"]),
        (float("nan"), {}, ["i_tail", "nan", "a finite number of A"]),
        (float("inf"), {}, ["i_tail", "inf", "a finite number"]),
        ([1.0, 2.0, -3.0], dict(low=0.0), ["i_tail", "-3 A", "position 2"]),
        ([[1.0, float("nan")]], dict(low=0.0), ["i_tail", "nan", "position 1"]),
        ("much", dict(low=0.0), ["i_tail", "'much'", "not a number", "at least 0 A"]),
        (None, {}, ["i_tail"]),
        ([[1.0], [1.0, 2.0]], {}, ["i_tail", "not a number"]),
    ],
)
def test_check_names_argument_value_and_allowed_range(value, bounds, parts):
    with pytest.raises(QuantityError) as error:
        as_quantity("i_tail", value, "A", **bounds)
    assert all(part in str(error.value) for part in parts), str(error.value)


def test_check_passes_good_values_of_any_shape():
    assert as_quantity("x", 0, low=0.0).shape == ()
    assert as_quantity("x", [], low=0.0).shape == (0,)
    out = as_quantity("x", np.ones((2, 3), np.float32), high=1.0)
    assert out.dtype == np.float64 and out.shape == (2, 3)


def test_shapes_that_do_not_fit_are_listed():
    assert broadcast_shape(a=np.ones((3, 1)), b=np.ones(4)) == (3, 4)
    with pytest.raises(QuantityError) as error:
        broadcast_shape(v_upper=np.ones(3), v_lower=np.ones(4), i_tail=1.0)
    assert "v_upper (3,)" in str(error.value) and "v_lower (4,)" in str(error.value)
    assert "i_tail" not in str(error.value)


@pytest.mark.parametrize("text", ["1,000", "-12,345 V", "+100,000 mV"])
def test_comma_that_may_mean_thousands_is_refused(text):
    with pytest.raises(QuantityError, match="thousand"):
        parse_quantity(text, "V", "--upper")


def test_comma_that_can_only_be_decimal_is_read():
    assert parse_quantity("0,125 V", "V") == 0.125
