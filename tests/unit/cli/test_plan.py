"""`forktail plan`: text and page of a circuit file, and what it says of wrong ones."""

import re
from dataclasses import replace

import numpy as np
import pytest

from forktail.cli import main
from forktail.cli.plan import plan_text
from forktail.core.built.circuit import Circuit
from forktail.core.built.file import write_circuit
from forktail.pages.build.state import BuildState
from forktail.pages.plan.page import plan_html
from forktail.pages.plan.state import make_plan, plan_key, plan_scene
from forktail.ui.static_chart import chart, thinned, ticks


def run(capsys, *argv):
    status = main(list(argv))
    out = capsys.readouterr()
    return status, out.out, out.err


@pytest.fixture(scope="module")
def plan():
    return make_plan(replace(plan_key(BuildState()), builds=20))


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


def test_page_needs_nothing_else_and_shows_all(plan):
    html = plan_html(plan, plan_scene(plan))
    assert not re.search(r'(?:src|href)="(?!#|data:)', html) and "http://" not in html.replace(
        "http://www.w3.org/2000/svg", ""
    )
    assert "<script" not in html
    for heading in (
        "Circuit",
        "Before you begin",
        "Supply and generators",
        "Parts",
        "Build order and checks",
        "Test points",
        "What the scope should show",
        "Trims",
        "Faults and what they show",
        "What the numbers rest on",
    ):
        assert f"<h2>{heading}</h2>" in html
    for name in ("TP2", "TP14", "R19", "Q7", "C9"):
        assert f">{name}<" in html
    assert html.count('class="chart"') == 4 and ">large<" not in html
    assert "nan" not in re.sub(r"base64,[^)]*|[a-z]*nan[a-z]+|finance", "", html.lower())


def test_page_escapes_what_a_file_says():
    circuit = Circuit(title='<script>alert("x")</script>', note="a & b <i>")
    build = BuildState()
    build.set_circuit(circuit)
    plan = make_plan(replace(plan_key(build), builds=10))
    html = plan_html(plan, plan_scene(plan), ["<b>note</b>"])
    assert "<script>" not in html and "<i>" not in html and "<b>" not in html
    assert "a &amp; b &lt;i&gt;" in html


def test_command_writes_a_page(capsys, tmp_path):
    source, out = tmp_path / "mine.toml", tmp_path / "plan.html"
    source.write_text(write_circuit(Circuit(title="My own cell"), {"builds": 20}))
    status, said, err = run(
        capsys, "plan", "--circuit", str(source), "--html", str(out), "--drive-upper", "50mV"
    )
    assert (status, err) == (0, "") and str(out) in said
    page = out.read_text()
    assert "<h1>My own cell</h1>" in page and "20 builds" in page.replace("\u00a0", " ")


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


def test_ticks_are_round_and_inside():
    assert ticks(-0.11, 0.11) == [-0.1, -0.05, 0.0, 0.05, 0.1]
    for low, high in ((0.0, 1.0), (10.63, 10.78), (-3e-6, 4e-6)):
        found = ticks(low, high)
        assert 2 <= len(found) <= 7 and low - 1e-12 <= found[0] and found[-1] <= high + 1e-12


def test_thinning_keeps_peaks_and_gaps():
    x = np.arange(100_000) / 1e5
    y = np.sin(2 * np.pi * 3 * x)
    y[31_234] = 7.0
    y[50_000:60_000] = np.nan
    a, b = thinned(x, y, 800)
    assert a.size <= 802 and np.all(np.diff(a) >= 0)
    assert np.nanmax(b) == 7.0 and np.nanmin(b) == np.nanmin(y)
    assert np.isnan(b[(a > 0.51) & (a < 0.59)]).all()


def test_chart_breaks_its_line_where_there_is_no_number():
    t = np.linspace(0.0, 1e-3, 50)
    y = np.where((t > 4e-4) & (t < 5e-4), np.nan, np.sin(1e4 * t))
    svg = chart("a < b", t, [("left", y, "left")])
    (path,) = re.findall(r'class="c-line left" d="([^"]+)"', svg)
    assert path.count("M") == 2 and "a &lt; b" in svg and "nan" not in svg
