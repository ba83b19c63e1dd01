"""What is said of the uses: differences, causes, relations with their resistors."""

import math

import pytest

from forktail.core.models import TextbookCell
from forktail.core.uses import USES, run_use
from forktail.core.uses.reference import bench
from forktail.core.uses.result import Merit
from forktail.core.uses.words import because, difference, difference_text, divided, divisor


@pytest.mark.parametrize(
    "merit, expected, text",
    [
        (Merit("k", "n", 10.5, "V", "r", 10.0), (5.0, "%"), "+5.00 %"),
        (Merit("k", "n", 20.0, "dB", "r", 23.0), (-3.0, "dB"), "\u22123.00 dB"),
        (Merit("k", "n", 49.0, "%", "r", 50.0), (-1.0, "%"), "\u22121.00\u00a0points"),
        # a small percentage is told apart in parts of itself: 0.02 points would read as nothing
        (Merit("k", "n", 0.06, "%", "r", 0.05), (20.0, "%"), "+20.0 %"),
        (Merit("k", "n", 0.2, "%", "r", 0.0), (0.2, "%"), "+0.20\u00a0points"),
        (Merit("k", "n", 90.5, "deg", "r", 90.0), (0.5, "deg"), "+0.50\u00b0"),
        (Merit("k", "n", 240.0, "dB", "r", 240.0), None, ""),
        (Merit("k", "n", 1.0, "V", "r", 0.0), None, ""),
        (Merit("k", "n", 1.0, "V"), None, ""),
        (Merit("k", "n", math.nan, "V", "r", 1.0), None, ""),
    ],
)
def test_difference_from_the_relation(merit, expected, text):
    assert (
        difference(merit) == (pytest.approx(expected[0]), expected[1])
        if expected
        else difference(merit) is None
    )
    assert difference_text(merit) == text


def test_powers_of_emitter_resistors_in_a_relation():
    plain, lower = bench(TextbookCell()), bench(TextbookCell(r_emitter_lower=100.0))
    assert divisor(plain, 3, 2) == ("", "") and divided("48", "") == " / 48"
    inside, where = divisor(lower, 3, 2)
    assert divided("48", inside) == " / (48 D^3)" and divided("", " D") == " / D"
    assert where == ", D = 1 + gm RE = 4.89 of the lower pair"
    both = bench(TextbookCell(r_emitter_lower=100.0, r_emitter_upper=50.0))
    assert divisor(both, 1, 2)[0] == " D U^2" and "of an upper pair" in divisor(both, 1, 2)[1]


@pytest.mark.parametrize("key", USES)
@pytest.mark.parametrize(
    "cell", [TextbookCell(), TextbookCell(r_emitter_lower=68.0, r_emitter_upper=33.0)]
)
def test_every_figure_says_its_relation_as_far_as_it_has_one(key, cell):
    result = run_use(key, solve=cell)
    for merit in result.merits:
        assert merit.name and merit.stops.endswith(".")
        assert merit.relation or merit.relation_value is None
        assert "  " not in merit.relation + merit.stops + merit.because
        # the words of a relation without resistors are not those of one with them
        if "gm R" in merit.relation and cell.r_emitter_lower:
            assert (
                "RE" in merit.relation or "pairs" in merit.relation or "one pair" in merit.relation
            )
    for curve in result.curves:
        assert curve.title and curve.x_label and curve.y_label and curve.text.endswith(".")
        assert all(t.label for t in curve.traces)
    assert all(t.label for t in result.records.values())


def test_reasons():
    b = bench(TextbookCell(offset_lower=1e-3))
    law = Merit("k", "n", 8.0, "V", "r", 10.0)
    part = (("offset_lower", -1.5),)
    text = because(law, False, True, part, b)
    assert text == (
        "Here the figure is off by \u221220.0 %: the offset of the lower pair, 1.00 mV makes "
        "\u221215.0 %."
    )
    assert because(law, False, False, part, b).endswith("; the scene is past that limit as well.")
    assert because(law, False, False, (), b).endswith(": the scene is past that limit.")
    assert "no single part" in because(law, False, True, (), b)
    assert because(law, True, False, part, b).endswith("still close to the relation.")
    leak = Merit("k", "n", 30.0, "dB", "no leak")
    assert because(leak, True, False, part, b) == (
        "Here it comes from the offset of the lower pair, 1.00 mV."
    )
    assert because(leak, True, False, (), b) == ""


def test_a_relation_of_rounding_is_nothing_to_compare_with():
    # found by hypothesis: a phase of 1e-306 degrees makes a relation of 1e-307, not of zero
    merit = Merit("purity", "Other lines", 50.8, "%", "2 |sin|", 1.1e-306)
    assert difference(merit) is None and difference_text(merit) == ""
