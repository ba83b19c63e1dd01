"""The command `forktail spectrum`: the numbers of the core, errors as one line with status 2."""

import json
import math

import pytest

from forktail.cli import main
from forktail.core.built.circuit import Circuit
from forktail.core.built.file import write_circuit
from forktail.core.models import BuiltCell, TextbookCell
from forktail.core.uses import USES, run_use

VT_25 = 1.380649e-23 * 298.15 / 1.602176634e-19  # exact constants, SI Brochure 9th edition


def run(capsys, *argv):
    status = main(["spectrum", *argv])
    out = capsys.readouterr()
    return status, out.out, out.err


@pytest.mark.parametrize("use", list(USES))
def test_json_is_what_the_core_gives(capsys, use):
    status, out, err = run(capsys, "--use", use, "--json")
    assert (status, err) == (0, "")
    answer, reference = json.loads(out), run_use(use)
    assert answer["use"] == use and answer["sentence"] == reference.sentence
    for merit in reference.merits:
        value = answer["figures"][merit.key]["value"]
        assert value == (pytest.approx(merit.value) if math.isfinite(merit.value) else None)
    assert len(answer["lines"]) == len(reference.spectrum.lines)
    assert "records" not in answer


def test_hard_switching_gives_two_over_pi(capsys):
    """Conversion gain 2/pi gm R: Lee, The Design of CMOS Radio-Frequency Integrated Circuits."""
    _, out, _ = run(
        capsys,
        "--use",
        "mixer",
        "--set",
        "oscillator_amplitude=1V",
        "--set",
        "second_amplitude=0V",
        "--set",
        "signal_amplitude=0.1mV",
        "--json",
    )
    gain = json.loads(out)["figures"]["conversion_gain"]["value"]
    assert gain == pytest.approx(2.0 / math.pi * 2e-3 * 1e3 / (2.0 * VT_25), rel=2e-3)


def test_cell_options_and_settings_reach_the_core(capsys):
    _, out, _ = run(
        capsys,
        "--use",
        "dsb",
        "--set",
        "trim=-0.2mV",
        "--set",
        "carrier_amplitude=20mV",
        "--load",
        "2k",
        "--temp",
        "50",
        "--tail",
        "1mA",
        "--offset-lower",
        "0.1mV",
        "--json",
    )
    cell = TextbookCell(r_load=2e3, temperature=323.15, i_tail=1e-3, offset_lower=1e-4)
    reference = run_use("dsb", {"trim": "-0.2mV", "carrier_amplitude": "20mV"}, cell)
    assert json.loads(out)["figures"]["suppression"]["value"] == pytest.approx(
        reference.merit("suppression").value
    )


def test_built_cell_from_a_file(capsys, tmp_path):
    circuit = Circuit(title="Attic", r_load_left=1e3, r_load_right=1e3)
    path = tmp_path / "attic.toml"
    path.write_text(write_circuit(circuit), encoding="utf-8")
    status, out, _ = run(capsys, "--use", "squarer", "--circuit", str(path), "--json")
    reference = run_use("squarer", None, BuiltCell(circuit), False)
    answer = json.loads(out)
    assert status == 0 and answer["model"] == "built"
    assert answer["figures"]["second"]["value"] == pytest.approx(
        reference.merit("second").value, rel=1e-6
    )


def test_table_is_plain_text_with_relation_and_limit(capsys):
    status, out, _ = run(capsys, "--use", "am", "--set", "tone_amplitude=20mV", "--lines", "3")
    assert status == 0 and out.isascii()
    assert "Modulation depth" in out and "textbook" in out and "difference" in out
    assert "stops holding" in out, "the limit of a relation that does not hold is told"
    lines = next(part for part in out.split("\n\n") if part.strip().startswith("line "))
    assert len(lines.strip().split("\n")) == 4, "a head and three lines"


def test_arrays_hold_records_and_curves(capsys):
    _, out, _ = run(capsys, "--use", "phase_detector", "--arrays")
    answer = json.loads(out)
    assert len(answer["records"]["output"]["x"]) == len(answer["records"]["output"]["y"]) > 100
    assert answer["curves"][0]["traces"]


@pytest.mark.parametrize(
    "argv, said",
    [
        (["--use", "radio"], "phase_detector"),
        (["--use", "mixer", "--set", "loudness"], "NAME=VALUE"),
        (["--use", "mixer", "--set", "loudness=3"], "signal_frequency"),
        (["--use", "mixer", "--set", "signal_frequency=3V"], "voltage"),
        (["--use", "mixer", "--set", "signal_frequency=30MHz"], "out of range"),
        (["--use", "mixer", "--set", "wanted=left"], "down"),
        (["--use", "am", "--set", "offset=1mV", "--set", "offset=2mV"], "twice"),
        (["--use", "mixer", "--circuit", "/no/such/file"], "No such file"),
        (["--use", "mixer", "--model", "textbook", "--circuit", "x"], "--model built"),
        (["--use", "mixer", "--model", "built", "--load", "2k"], "--load"),
        (["--use", "mixer", "--load", "2V"], "--load"),
        (["--use", "mixer", "--temp", "900"], "--temp"),
        ([], "--use"),
    ],
)
def test_errors_are_one_line_with_status_2(capsys, argv, said):
    status, out, err = run(capsys, *argv)
    assert status == 2 and out == ""
    assert err.startswith("forktail: ") and err.count("\n") == 1 and said in err


def test_a_broken_circuit_file_is_named(capsys, tmp_path):
    path = tmp_path / "bad.toml"
    path.write_text("[loads]\nleft = '2 V'\n", encoding="utf-8")
    status, _, err = run(capsys, "--use", "mixer", "--circuit", str(path))
    assert status == 2 and "left" in err


def test_help_lists_every_use_with_its_settings(capsys):
    with pytest.raises(SystemExit) as stop:
        main(["spectrum", "--help"])
    assert stop.value.code == 0
    text = capsys.readouterr().out
    for key in USES:
        assert key in text
    assert "integrator_time" in text and "Example:" in text


def test_what_makes_the_noise_is_listed(capsys):
    arguments = ("--use", "mixer", "--model", "built", "--circuit", "bat-call-mixer")
    _, out, _ = run(capsys, *arguments)
    table = out.split("what makes the noise at the output\n")[1].split("\nLeft out")[0].splitlines()
    shares = [float(line.split()[-2]) for line in table]
    assert table[0].startswith("source of the lower input") and shares == sorted(shares)[::-1]
    assert sum(shares) == pytest.approx(100.0, abs=0.5)
    assert "nV/sqrt(Hz)" in out
    _, out, _ = run(capsys, *arguments, "--json")
    answer = json.loads(out)
    assert max(answer["noise"], key=answer["noise"].get) == "source of the lower input"
    _, out, _ = run(capsys, "--use", "dsb")
    assert "noise" not in out
