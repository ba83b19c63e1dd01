"""`forktail readings`: text and JSON, and one line for what is wrong."""

import json

import pytest

from forktail.cli import main

#: A mixer board whose left load is 1.5 k instead of 2.2 k: 12 V less 0.59 mA through 1.5 k.
READINGS = "point,volts\nTP1,12.00 V\nTP3,3.08 V\nTP5,1.19 V\nTP13,11.11 V\nTP14,10.70 V\n"


def run(capsys, *argv):
    status = main(["readings", *argv])
    out = capsys.readouterr()
    return status, out.out, out.err


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "board7.csv"
    path.write_text(READINGS)
    return path


def test_text_and_json_say_the_same(capsys, file):
    status, out, err = run(capsys, str(file), "--circuit", "bat-call-mixer")
    assert (status, err) == (0, "") and out.isascii()
    for words in (
        "board7.csv against Bat-call mixer: 5 readings at rest",
        "Not as predicted. Likeliest cause: R8 about 1.5 kohm instead of 2.2 kohm",
        "To do: With the supply off, read the marking of R8",
        "TP13   11.11 V    10.71 V",
        "outside  left output",
        "NO METER AT REST CAN SEE",
    ):
        assert words in out
    status, out, _ = run(capsys, str(file), "--circuit", "bat-call-mixer", "--json")
    answer = json.loads(out)
    assert status == 0 and answer["causes"][0]["key"].startswith("factor:r_load_left:0.6")
    assert [p["inside"] for p in answer["readings"]] == [True, True, True, False, True]


@pytest.mark.parametrize(
    "text, circuit, words",
    [
        ("TP3, high", "bat-call-mixer", ("board7.csv, line 1, TP3", "high")),
        ("TP3, 4.6", "none.toml", ("none.toml", "bat-call-mixer")),
        (None, "bat-call-mixer", ("missing.csv", "test points and voltages")),
        (b"\xff\xfeT\x00", "bat-call-mixer", ("is not UTF-8 text",)),
    ],
)
def test_what_is_wrong_is_one_line(capsys, tmp_path, text, circuit, words):
    path = tmp_path / ("board7.csv" if text else "missing.csv")
    if text:
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
    status, out, err = run(capsys, str(path), "--circuit", circuit)
    assert status == 2 and out == "" and err.count("\n") == 1 and "Traceback" not in err
    assert all(w in err for w in words), err
