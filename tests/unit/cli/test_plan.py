"""`forktail plan`: text and page of a circuit file, and what it says of wrong ones."""

import pytest

from forktail.cli import main
from forktail.cli.plan import plan_text
from forktail.core.bench.plan import PlanQuestion, bench_plan
from forktail.core.built.circuit import Circuit
from forktail.core.built.file import write_circuit


def run(capsys, *argv):
    status = main(list(argv))
    out = capsys.readouterr()
    return status, out.out, out.err


@pytest.fixture(scope="module")
def plan():
    return bench_plan(PlanQuestion(builds=20))


def test_text_holds_every_part_of_a_plan(plan):
    text = plan_text(plan)
    assert text.isascii()
    for heading in (
        "BEFORE YOU BEGIN",
        "SUPPLY AND GENERATORS",
        "PARTS",
        "BUILD ORDER",
        "TEST POINTS",
        "OUTPUT WITH BOTH DRIVES",
        "TRIMS",
        "FAULTS",
    ):
        assert heading in text
    for word in ("invented", "protective earth", "local codes", "loud", "TP14", "seed 1"):
        assert word in text
    for point in plan.points:
        assert f"{point.band.nominal:.2f} V" in text or f"{point.band.nominal:.3f} V" in text


def test_command_writes_a_page(capsys, tmp_path):
    source, out = tmp_path / "mine.toml", tmp_path / "plan.html"
    source.write_text(write_circuit(Circuit(title="My own cell"), {"builds": 20}))
    status, said, err = run(
        capsys, "plan", "--circuit", str(source), "--html", str(out), "--drive-upper", "50mV"
    )
    assert (status, err) == (0, "") and str(out) in said
    page = out.read_text()
    assert "<h1>My own cell</h1>" in page and "20 builds" in page.replace("\u00a0", " ")
    assert "invented for our workshop" not in page and "entered for this circuit" in page


def test_what_a_file_leaves_out_or_has_no_use_for_is_said(capsys, tmp_path):
    source = tmp_path / "short.toml"
    text = write_circuit(Circuit(title="Short"), {"builds": 10})
    text = text.replace("capacitance =", "# capacitance =")
    text = text.replace("kind =", 'current = "2 mA"\nkind =')
    source.write_text(text)
    status, out, _ = run(capsys, "plan", "--circuit", str(source))
    assert status == 0
    assert "! [loads] capacitance is not in the file; 22 pF is used." in out
    assert '[tail] current is not used with kind = "transistor".' in out


@pytest.mark.parametrize(
    "text, words",
    [
        ("forktail = 1\n[loads]\nleft = '2 V'\n", ("line 3", "left", "2 V")),
        ("[loads\n", ("TOML", "line 1")),
    ],
)
def test_a_wrong_file_is_named_with_its_line(capsys, tmp_path, text, words):
    source = tmp_path / "wrong.toml"
    source.write_text(text)
    status, out, err = run(capsys, "plan", "--circuit", str(source))
    assert status == 2 and out == "" and "Traceback" not in err
    assert all(w in err for w in ("wrong.toml", *words))


@pytest.mark.parametrize(
    "argv, words",
    [
        (("plan",), ("--circuit",)),
        (("plan", "--circuit", "nowhere.toml"), ("nowhere.toml", "bat-call-mixer")),
        (
            ("plan", "--circuit", "bat-call-mixer", "--drive-upper", "0"),
            ("--drive-upper", "above 0"),
        ),
        (("plan", "--circuit", "bat-call-mixer", "--drive-lower", "5A"), ("--drive-lower", "5A")),
    ],
)
def test_wrong_command_lines_are_one_line(capsys, argv, words):
    status, out, err = run(capsys, *argv)
    assert status == 2 and out == "" and err.count("\n") == 1
    assert all(w in err for w in words)
