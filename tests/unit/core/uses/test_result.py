"""What every use answers with: how close counts as agreeing, how figures read, what JSON holds."""

import json
import math
import re
from dataclasses import fields

import numpy as np
import pytest

from forktail.core.checks import QuantityError
from forktail.core.spec import specs_of
from forktail.core.uses import USES, run_use
from forktail.core.uses.result import (
    LOUD,
    Curve,
    Figure,
    Listen,
    Merit,
    Relation,
    Trace,
    agrees,
    allowed,
    as_json,
    show,
    time_trace,
)
from forktail.core.waves.spectrum import Line


@pytest.mark.parametrize(
    "value, unit, shown",
    [
        (14.237, "dB", "14.2 dB"),
        (200.0, "dB", "beyond 200 dB"),
        (199.0, "dB", "199 dB"),
        (-200.0, "dB", "under \u2212200 dB"),
        (-199.0, "dB", "\u2212199 dB"),
        (4e-3, "dB", "0 dB"),
        (-6e-3, "dB", "\u22120.00600 dB"),
        (0.9e-9, "%", "0 %"),
        (1.5e-9, "%", "1.5e\u221209 %"),
        (0.9e-9, "deg", "0\u00b0"),
        (1.5e-9, "deg", "1.5e\u221209\u00b0"),
        (0.9e-15, "V", "0 V"),
        (1.5e-15, "V", "1.50 fV"),
        (250.0, "V", "250 V"),
        (math.inf, "V", "no limit"),
        (-math.inf, "V", "none"),
        (math.nan, "V", "\u2013"),
    ],
)
def test_a_figure_as_text(value, unit, shown):
    assert show(value, unit) == shown
    merit = Merit("k", "n", value, unit, relation_value=value)
    assert merit.reading == merit.relation_reading == shown
    assert Merit("k", "n", value, unit).relation_reading == ""


@pytest.mark.parametrize(
    "unit, law, within, model, close",
    [
        ("dB", 20.0, math.nan, "textbook", 0.2),
        ("dB", 20.0, math.nan, "built", 0.5),
        ("deg", 0.0, math.nan, "textbook", 0.5),
        ("deg", 90.0, math.nan, "built", 2.0),
        ("%", 0.0, math.nan, "textbook", 0.5),
        ("%", 0.0, math.nan, "built", 1.0),
        ("%", 40.0, math.nan, "textbook", 0.8),
        ("V", -2.0, math.nan, "textbook", 0.04),
        ("V", 2.0, math.nan, "built", 0.1),
        ("V", 0.0, math.nan, "built", 0.0),
        ("V", 2.0, 0.5, "textbook", 0.5),
        ("V", 2.0, 0.001, "textbook", 0.04),
    ],
)
def test_how_far_a_figure_may_lie_from_its_law(unit, law, within, model, close):
    relation = Relation(law, within)
    assert allowed(Figure(law, unit), relation, model) == pytest.approx(close)
    for off, good in ((0.99 * close, True), (1.01 * close + 1e-9, False)):
        assert agrees(Figure(law + off, unit), relation, model) is good
        assert agrees(Figure(law - off, unit), relation, model) is good


def test_what_there_is_no_law_for_agrees_and_what_is_no_number_does_not():
    assert agrees(Figure(5.0, "V"), Relation(), "textbook")
    assert agrees(Figure(5.0, "V"), Relation(math.inf), "textbook")
    assert agrees(Figure(math.inf, "V"), Relation(math.inf), "textbook")
    assert not agrees(Figure(math.nan, "V"), Relation(5.0), "textbook")
    assert not agrees(Figure(math.inf, "dB"), Relation(5.0), "textbook")
    # beyond 200 dB nobody measures: either sign apart
    assert agrees(Figure(240.0, "dB"), Relation(200.0), "textbook")
    assert not agrees(Figure(240.0, "dB"), Relation(199.0), "textbook")
    assert not agrees(Figure(-240.0, "dB"), Relation(240.0), "textbook")


def plain(value):
    if isinstance(value, (tuple, np.ndarray)):
        return [plain(v) for v in value]
    if isinstance(value, (float, np.floating)):
        return float(value) if math.isfinite(value) else None
    return value


def all_of(thing, *left_out):
    return {f.name: plain(getattr(thing, f.name)) for f in fields(thing) if f.name not in left_out}


@pytest.mark.parametrize("key", USES)
def test_json_holds_every_field_of_every_part(key):
    run = run_use(key)
    data = json.loads(json.dumps(as_json(run, arrays=True), allow_nan=False))
    assert (data["use"], data["title"], data["model"]) == (key, run.title, "textbook")
    assert data["settings"] == {n: plain(getattr(run.settings, n)) for n in specs_of(run.settings)}
    assert (data["sentence"], data["window"]) == (run.sentence, run.window)
    assert data["notes"] == list(run.notes)
    assert data["figures"] == {m.key: all_of(m, "key") for m in run.merits}
    lines = run.spectrum.lines if run.spectrum else ()
    assert data["lines"] == [all_of(ln) for ln in lines]
    assert set(all_of(lines[0])) == {f.name for f in fields(Line)} if lines else True
    assert data["records"] == {k: all_of(t) for k, t in run.records.items()}
    for found, curve in zip(data["curves"], run.curves, strict=True):
        assert found == {**all_of(curve, "key", "traces"), "traces": [*map(all_of, curve.traces)]}
    brief = as_json(run)
    assert set(data) - set(brief) == {"records", "curves"}
    assert brief == {k: data[k] for k in brief}


def test_what_is_not_finite_is_null():
    merit = Merit("k", "n", math.nan, "V", limit=math.inf)
    trace = Trace(np.array([0.0, math.inf]), np.array([1.0, math.nan]), "V", "dB")
    run = run_use("mixer", detail=False)
    odd = type(run)(**{**vars(run), "merits": (merit,), "spectrum": None,
                       "curves": (Curve("c", "V", "dB", (trace,)),)})  # fmt: skip
    data = as_json(odd, arrays=True)
    assert data["figures"]["k"]["value"] is None is data["figures"]["k"]["limit"]
    assert data["lines"] == [] and data["curves"][0]["point"] is None
    assert data["curves"][0]["traces"][0]["x"] == [0.0, None]
    assert data["curves"][0]["traces"][0]["y"] == [1.0, None]


def test_a_figure_is_found_by_its_key_or_the_keys_are_named():
    run = run_use("squarer", detail=False)
    assert run.merit("dc").key == "dc"
    with pytest.raises(QuantityError, match="'nothing' is not a figure here; there are second, "):
        run.merit("nothing")


def test_a_record_is_volts_over_seconds_unless_said_otherwise():
    trace = time_trace([0, 1], [2, 3])
    assert (trace.x_unit, trace.y_unit, trace.role, trace.label) == ("s", "V", "result", "")
    assert trace.x.dtype == trace.y.dtype == float
    guide = time_trace([0], [0], "guide", "A")
    assert (guide.role, guide.y_unit) == ("guide", "A")


def test_a_sound_of_a_result_is_moved_and_limited_as_told():
    t = np.arange(1000) / 1e6  # 1 ms: whole periods of 40 kHz
    heard = Listen(np.cos(2 * np.pi * 40e3 * t), 1e-3, 10.0, shift=38e3)
    plain_, slow = Listen(heard.record, 1e-3, 10.0), Listen(heard.record, 1e-3, 10.0, slow_by=20.0)
    for listen, f in ((heard, 2e3), (slow, 2e3)):
        sound = listen.sound(0.5, 48000)
        assert len(sound.samples) == 24000 and sound.rate == 48000
        level = np.abs(np.fft.rfft(sound.samples * np.hanning(24000)))
        assert np.argmax(level) * 2.0 == pytest.approx(f, abs=2.0)
        # a tenth of the full level, 0.25 of full scale
        assert np.max(sound.samples) == pytest.approx(0.025, rel=1e-3)
    assert plain_.sound().silent and len(plain_.sound().samples) == 96000
    assert (plain_.shift, plain_.slow_by, LOUD) == (0.0, 1.0, 10.0)


def test_a_result_shows_its_first_three_figures():
    shown = repr(run_use("mixer", detail=False))
    assert "conversion_gain_db" in shown and "hard_limit" in shown and "other_product" not in shown
    shown = run_use("mixer", detail=False)._repr_html_()
    head = ("name", "what it is", "value", "textbook relation", "holds")
    assert re.findall("<th[^>]*>([^<]*)</th>", shown)[: len(head)] == list(head)
