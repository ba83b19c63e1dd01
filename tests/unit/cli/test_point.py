"""The built model on the command line: numbers as printed, errors as one line with status 2."""

import io
import json

import numpy as np
import pytest

from forktail.cli import main
from forktail.core.built import network
from forktail.core.built.circuit import Circuit
from forktail.core.built.file import read_circuit, write_circuit
from forktail.resources import assets_dir

K_OVER_Q = 1.380649e-23 / 1.602176634e-19  # exact, SI Brochure 9th edition (2019)
NODES = {
    "supply",
    "level_upper",
    "level_lower",
    "base_upper_pos",
    "base_upper_neg",
    "base_lower_pos",
    "base_lower_neg",
    "left",
    "right",
    "common_left",
    "common_right",
    "tail",
}


def run(capsys, *argv):
    status = main(list(argv))
    out = capsys.readouterr()
    return status, out.out, out.err


@pytest.fixture
def ideal_file(tmp_path):
    """A circuit as near to the textbook as parts allow."""
    path = tmp_path / "ideal.toml"
    path.write_text(
        write_circuit(
            Circuit(
                beta_forward=np.inf,
                beta_reverse=np.inf,
                v_early=np.inf,
                tail_kind="ideal",
                i_tail=1e-3,
                r_bias_upper_pos=1e6,
                r_bias_upper_neg=1e6,
                r_bias_lower_pos=1e6,
                r_bias_lower_neg=1e6,
                temperature=298.15,
            )
        ),
        encoding="utf-8",
    )
    return str(path)


def test_point_has_nodes_and_regions_and_meets_the_product_of_two_tanh(capsys, ideal_file):
    """v_out = I R tanh(vu/2VT) tanh(vl/2VT): Gray, Hurst, Lewis, Meyer, ch. 10."""
    status, out, err = run(
        capsys,
        "point",
        "--model",
        "built",
        "--circuit",
        ideal_file,
        "--upper",
        "10mV",
        "--lower",
        "-5mV",
        "--json",
    )
    assert (status, err) == (0, "")
    answer = json.loads(out)
    assert answer["model"] == "built" and answer["warnings"] == []
    assert NODES <= set(answer["nodes"])
    assert answer["regions"] == {f"Q{k}": "active" for k in range(1, 7)}
    v_t = K_OVER_Q * 298.15
    wanted = 1e-3 * 2200 * np.tanh(0.01 / 2 / v_t) * np.tanh(-0.005 / 2 / v_t)
    assert answer["v_out"] == pytest.approx(wanted, rel=2e-3)
    assert answer["nodes"]["right"] - answer["nodes"]["left"] == pytest.approx(answer["v_out"])


def test_a_shipped_circuit_is_found_by_its_name(capsys):
    status, out, _ = run(
        capsys,
        "point",
        "--model",
        "built",
        "--circuit",
        "bat-call-mixer",
        "--upper",
        "20mV",
        "--lower",
        "20mV",
        "--json",
    )
    text = (assets_dir() / "circuits" / "bat-call-mixer.toml").read_text(encoding="utf-8")
    point = network.solve_built(read_circuit(text), 0.02, 0.02)
    assert status == 0
    assert json.loads(out)["nodes"]["tail"] == pytest.approx(float(point.nodes["tail"]), rel=1e-9)
    _, out, _ = run(capsys, "point", "--model", "built", "--circuit", "bat-call-mixer")
    assert "common_left" in out and "Q7 region" in out and out.isascii()


def test_a_wrong_build_is_told_in_words(capsys, tmp_path):
    path = tmp_path / "wrong.toml"
    path.write_text('[loads]\nleft = "100 k"\nright = "100 k"\n', encoding="utf-8")
    status, out, _ = run(capsys, "point", "--model", "built", "--circuit", str(path), "--json")
    answer = json.loads(out)
    assert status == 0
    assert answer["regions"]["Q1"] == "saturated"
    assert any("Q1 is saturated" in w for w in answer["warnings"])


def test_sweep_agrees_with_point(capsys):
    status, out, _ = run(
        capsys,
        "sweep",
        "--model",
        "built",
        "--circuit",
        "volume-cell",
        "--upper",
        "-50mV:50mV:50mV",
        "--lower",
        "100mV",
    )
    table = np.genfromtxt(io.StringIO(out), delimiter=",", names=True)
    assert status == 0 and list(table["v_upper_V"]) == [-0.05, 0.0, 0.05]
    _, point, _ = run(
        capsys,
        "point",
        "--model",
        "built",
        "--circuit",
        "volume-cell",
        "--upper",
        "50mV",
        "--lower",
        "100mV",
        "--json",
    )
    assert table["v_out_V"][2] == pytest.approx(json.loads(point)["v_out"], rel=1e-8)


@pytest.mark.parametrize(
    "argv, words",
    [
        (
            ("point", "--model", "textbook", "--circuit", "volume-cell"),
            ("--model built",),
        ),
        (
            ("point", "--model", "built", "--circuit", "volume-cell", "--load", "2k"),
            ("--load", "textbook"),
        ),
        (
            ("sweep", "--model", "built", "--circuit", "nowhere.toml"),
            ("nowhere.toml", "give a circuit file"),
        ),
        (("point", "--model", "magic"), ("--model", "magic", "built")),
    ],
)
def test_errors_are_one_line_and_status_2(capsys, argv, words):
    status, out, err = run(capsys, *argv)
    assert status == 2 and out == ""
    assert err.startswith("forktail: ") and err.count("\n") == 1
    for word in words:
        assert word in err


def test_every_fault_of_a_file_is_told_on_one_line(capsys, tmp_path):
    path = tmp_path / "bad.toml"
    path.write_text('[loads]\nleft = "5 V"\nrihgt = "2 k"\n', encoding="utf-8")
    status, _, err = run(capsys, "point", "--model", "built", "--circuit", str(path))
    assert status == 2 and err.count("\n") == 1
    assert "line 2" in err and "5 V" in err and "line 3" in err and "right" in err


def test_what_a_circuit_file_leaves_out_is_noted_beside_the_answer(tmp_path, capsys):
    file = tmp_path / "short.toml"
    text = write_circuit(Circuit()).replace("[loads]", "[loads] #").replace("capacitance", "#")
    file.write_text(text.replace("kind =", 'current = "2 mA"\nkind ='), encoding="utf-8")
    assert main(["point", "--circuit", str(file), "--json"]) == 0
    said = capsys.readouterr()
    assert json.loads(said.out)["model"] == "built"
    notes = said.err.splitlines()
    assert len(notes) == 2 and all(n.startswith(f"note: {file}: ") for n in notes)
    assert notes[0].endswith("[loads] capacitance is not in the file; 22 pF is used.")
    assert "[tail] current is not used" in notes[1]
