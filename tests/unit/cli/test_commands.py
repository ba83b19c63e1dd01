"""Commands: numbers as printed, errors as one line with status 2."""

import io
import json

import numpy as np
import pytest

from forktail.cli import build_parser, main
from forktail.cli.sweep import parse_range
from forktail.core.checks import QuantityError

K_OVER_Q = 1.380649e-23 / 1.602176634e-19  # exact, SI Brochure 9th edition (2019)


def run(capsys, *argv):
    status = main(list(argv))
    out = capsys.readouterr()
    return status, out.out, out.err


def test_point_json_is_the_product_of_two_tanh(capsys):
    """v_out = I R tanh(vu/2VT) tanh(vl/2VT): Gray, Hurst, Lewis, Meyer, ch. 10."""
    status, out, err = run(
        capsys,
        "point",
        "--upper",
        "10mV",
        "--lower",
        "-5mV",
        "--tail",
        "2mA",
        "--load",
        "1k",
        "--temp",
        "25",
        "--json",
    )
    assert (status, err) == (0, "")
    answer = json.loads(out)
    v_t = K_OVER_Q * 298.15
    assert answer["v_out"] == pytest.approx(
        2.0 * np.tanh(0.01 / 2 / v_t) * np.tanh(-0.005 / 2 / v_t), rel=1e-12
    )
    assert set(answer) == {
        "v_out",
        "v_left",
        "v_right",
        "i_upper",
        "i_lower",
        "i_tail",
        "thermal_voltage",
        "gain_upper",
        "gain_lower",
        "model",
        "warnings",
    }
    assert answer["model"] == "textbook"
    assert sum(answer["i_upper"]) == pytest.approx(2e-3, rel=1e-12)
    assert answer["v_right"] - answer["v_left"] == pytest.approx(answer["v_out"], rel=1e-9)


def test_point_text_shows_prefixes_and_notes(capsys):
    status, out, _ = run(capsys, "point", "--upper", "50mV", "--lower", "5mV")
    assert status == 0
    assert "i_tail" in out and "2.0000 mA" in out
    assert "note: The upper input, 50.0 mV, is past" in out
    assert out.isascii()


def test_sweep_columns_agree_with_point(capsys):
    status, out, _ = run(capsys, "sweep", "--upper", "-50mV:50mV:50mV", "--lower", "-20mV")
    assert status == 0
    table = np.genfromtxt(io.StringIO(out), delimiter=",", names=True)
    assert list(table["v_upper_V"]) == [-0.05, 0.0, 0.05]
    _, point, _ = run(capsys, "point", "--upper", "50mV", "--lower", "-20mV", "--json")
    assert table["v_out_V"][2] == pytest.approx(json.loads(point)["v_out"], rel=1e-8)


def test_range_includes_its_end_despite_rounding():
    values = parse_range("-0.1:0.1:0.01", "--upper")
    assert values.size == 21 and values[-1] == pytest.approx(0.1)


@pytest.mark.parametrize(
    "argv, words",
    [
        (("point", "--upper", "5mA"), ("--upper", "5mA", "voltage")),
        (("point", "--tail=-1mA"), ("--tail", "-1mA", "out of range")),
        (("point", "--temp", "-300"), ("--temp", "-300", "above")),
        (("point", "--load", "abc"), ("--load", "abc", "2k2")),
        (("point", "--nonsense"), ("--nonsense", "--help")),
        (("wrong",), ("wrong", "point")),
        (("serve", "--port", "99999"), ("--port", "99999", "65535")),
        (("serve", "--host", "203.0.113.1", "--no-open"), ("203.0.113.1", "cannot listen")),
        (("sweep", "--upper", "0:1"), ("--upper", "0:1", "FROM:TO:STEP")),
        (("sweep", "--upper", "0:1:-1mV"), ("--upper", "never")),
        (("sweep", "--upper", "0:1:1e-9"), ("--upper", "points")),
    ],
)
def test_errors_are_one_line_and_status_2(capsys, argv, words):
    status, out, err = run(capsys, *argv)
    assert status == 2 and out == ""
    assert err.startswith("forktail: ") and err.count("\n") == 1
    assert "Traceback" not in err
    for word in words:
        assert word in err


def test_every_command_has_help_with_an_example(capsys):
    commands = build_parser().commands
    assert {"serve", "point", "sweep"} <= set(commands)
    for name in commands:
        with pytest.raises(SystemExit) as end:
            main([name, "--help"])
        assert end.value.code == 0
        assert f"forktail {name}" in capsys.readouterr().out.split("xample", 1)[1]


def test_bad_range_names_the_option():
    with pytest.raises(QuantityError, match="--lower"):
        parse_range("1:2", "--lower")
