"""`forktail compare`: JSON and text, columns, and one line for what is wrong."""

import json

import numpy as np
import pytest

from forktail.cli import main
from forktail.resources import assets_dir

ASSET = assets_dir() / "captures/bat-call-mixer-board-invented.csv"


def run(capsys, *argv):
    status = main(list(argv))
    out = capsys.readouterr()
    return status, out.out, out.err


def compare(capsys, path, *more):
    return run(capsys, "compare", str(path), "--circuit", "bat-call-mixer", *more)


def shorter(path, **changes):
    """The first third of the asset, with columns in another order and a decimal comma."""
    rows = [r.split(",") for r in ASSET.read_text().splitlines()[5:1205]]
    lines = ["Messung 7", "t;c;a;b;d"]
    lines += [
        ";".join((t, right, upper, lower, left)).replace(".", ",")
        for t, upper, lower, left, right in rows
    ]
    path.write_text("\n".join(lines) + "\n", encoding="cp1252")
    return path


def test_json_holds_every_figure(capsys, tmp_path):
    out_csv = tmp_path / "samples.csv"
    status, out, err = compare(capsys, ASSET, "--json", "--csv", str(out_csv))
    assert (status, err) == (0, "")
    answer = json.loads(out)
    assert {
        "scale_error",
        "feed_upper",
        "feed_lower",
        "offset",
        "offset_upper",
        "offset_lower",
        "noise_rms",
        "residual_rms",
        "fit_rms",
        "product",
        "tanh",
        "shape",
        "delay",
        "causes",
        "summary",
        "warnings",
        "circuit",
        "samples",
        "samples_used",
    } <= set(answer)
    assert answer["circuit"] == "Bat-call mixer" and answer["samples"] == 3000
    assert answer["scale_error"]["value"] == pytest.approx(-0.058, abs=0.01)
    assert answer["causes"][0]["key"] == "offset_lower" and answer["causes"][0]["numbers"]
    table = np.genfromtxt(out_csv, delimiter=",", names=True)
    assert len(table) == 3000
    left = table["captured_V"] - table["predicted_V"] - table["residual_V"]
    assert np.nanmax(np.abs(left)) < 1e-8


def test_text_says_cause_and_what_to_do(capsys):
    status, out, _ = compare(capsys, ASSET)
    assert status == 0 and out.isascii()
    for words in (
        "Lower pair off balance",
        "To do: Trim the bias of Q5 against Q6",
        "Scale error",
        "+/-",
        "Four terms, captured: k",
        "Tanh-limited",
    ):
        assert words in out


def test_columns_by_number_and_units_by_factor(capsys, tmp_path):
    path = shorter(tmp_path / "mine.csv")
    status, out, err = compare(
        capsys,
        path,
        "--json",
        "--columns",
        "upper=3,lower=4,left=5,right=2",
        "--interval",
        "0.5us",
        "--probe",
        "upper=0.001,lower=0.001",
    )
    assert (status, err) == (0, "")
    answer = json.loads(out)
    assert answer["offset_lower"]["value"] == pytest.approx(1.8e-3, rel=0.1)
    assert answer["sample_interval"] == pytest.approx(5e-7)


def test_drive_in_the_place_of_a_channel(capsys, tmp_path):
    rows = [r.split(",") for r in ASSET.read_text().splitlines()[5:]]
    path = tmp_path / "three.csv"
    path.write_text(
        "time (us),lower (mV),left (V),right (V)\n"
        + "\n".join(",".join((t, lower, left, right)) for t, _, lower, left, right in rows)
        + "\n"
    )
    status, out, err = compare(capsys, path, "--json", "--drive-upper", "40mV@50kHz")
    assert (status, err) == (0, "")
    assert json.loads(out)["scale_error"]["value"] == pytest.approx(-0.06, abs=0.03)


@pytest.mark.parametrize(
    "more, words",
    [
        (("--columns", "time=1,upper=9"), ("--columns", "column 9", "1 to 5")),
        (("--columns", "when=1"), ("--columns", "when", "time, upper")),
        (("--columns", "time=1,time=2"), ("twice",)),
        (("--columns", "time=1,upper=2,left=4,right=5"), ("lower", "--drive-lower")),
        (
            ("--columns", "time=1,upper=2,lower=2,left=4,right=5"),
            ("column 2", "v_upper and v_lower"),
        ),
        (("--probe", "upper=0"), ("factor", "v_upper")),
        (("--interval", "5V"), ("--interval", "5V")),
        (("--drive-upper", "50kHz"), ("--drive-upper", "50kHz", "@")),
        (("--csv", "/nowhere/at/all.csv"), ("/nowhere/at/all.csv",)),
    ],
)
def test_wrong_options_are_one_line(capsys, more, words):
    status, out, err = compare(capsys, ASSET, *more)
    assert status == 2 and err.count("\n") == 1 and "Traceback" not in err
    assert all(w in err for w in words), err


def test_bad_cell_is_named_by_row_and_column(capsys, tmp_path):
    lines = ASSET.read_text().splitlines()
    lines[99] = lines[99].replace(",", ",oops", 1)
    path = tmp_path / "bad.csv"
    path.write_text("\n".join(lines))
    status, out, err = compare(capsys, path)
    assert status == 2 and out == "" and err.count("\n") == 1
    assert "bad.csv: row 100, column 2 (upper)" in err


def test_missing_files(capsys, tmp_path):
    status, _, err = compare(capsys, tmp_path / "none.csv")
    assert status == 2 and "none.csv" in err
    status, _, err = run(capsys, "compare", str(ASSET), "--circuit", "none.toml")
    assert status == 2 and "none.toml" in err and "bat-call-mixer" in err
