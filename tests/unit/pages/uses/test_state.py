"""The Uses page without a browser: settings, links, files, presets, what the views are given."""

import numpy as np
import pytest

from forktail.core.built.circuit import Circuit
from forktail.core.built.file import write_circuit
from forktail.core.checks import QuantityError
from forktail.core.spec import specs_of
from forktail.core.uses import USES, run_use
from forktail.core.waves import drives as signals
from forktail.pages.uses import diagram as use_diagram
from forktail.pages.uses import plots as use_plots
from forktail.pages.uses import words as use_readouts
from forktail.pages.uses.page import UsesPage
from forktail.pages.uses.state import (
    PRESETS,
    SHORT_TITLES,
    TIME_VIEWS,
    UsesState,
    stored_circuits,
)
from forktail.ui.state import Quantity

USE_KEYS = list(USES)


@pytest.fixture
def state():
    return UsesState()


def test_every_use_has_tabs_presets_and_lanes():
    for mapping in (SHORT_TITLES, PRESETS, TIME_VIEWS, use_readouts.CURVE_NAMES):
        assert set(mapping) == set(USES)
    assert set(USES) <= set(use_plots.LANES)


@pytest.mark.parametrize("use", USE_KEYS)
def test_parameters_carry_what_the_core_says(state, use):
    for name, spec in specs_of(USES[use].settings).items():
        parameter = state.specs[f"{use}__{name}"]
        assert parameter.spec == spec.at(f"{use}__{name}") and spec.label and spec.doc
        assert spec.part == "use"
        if isinstance(parameter, Quantity):
            low, high = spec.slider
            assert spec.low <= low < high <= spec.high
            assert low <= spec.default <= high
            assert spec.at_step(spec.position(spec.default)) == pytest.approx(
                spec.default, rel=1e-9, abs=1e-12
            )


@pytest.mark.parametrize("use", USE_KEYS)
def test_scene_is_the_core_of_the_same_settings(state, use):
    state.choose_use(use)
    scene = state.scene()
    reference = run_use(use)
    assert scene.error == "" and scene.result.sentence == reference.sentence
    assert [m.value for m in scene.result.merits] == pytest.approx(
        [m.value for m in reference.merits], nan_ok=True
    )


def test_cell_settings_reach_the_core(state):
    """Conversion gain is proportional to the load resistor: Lee, ch. 13 (mixers)."""
    before = state.scene().result.merit("conversion_gain").value
    state.cell__r_load = 2e3
    assert state.scene().result.merit("conversion_gain").value == pytest.approx(2 * before)


def test_built_model_answers_and_names_its_circuit(state):
    state.model = "built"
    scene = state.scene(detail=False)
    assert scene.result.model == "built" and scene.circuit == Circuit().title
    assert not scene.result.curves


@pytest.mark.parametrize("use", USE_KEYS)
def test_presets_give_scenes_and_links_that_come_back(use):
    for name in PRESETS[use]:
        state = UsesState()
        state.choose_use(use)
        state.apply_preset(name)
        assert state.use == use
        scene = state.scene()
        assert scene.result is not None, (name, scene.error)
        if state.figure:
            assert scene.result.merit(state.figure)
        assert int(state.curve) <= len(scene.result.curves)
        again = UsesState()
        assert again.apply_query(state.query()) == []
        assert again.texts() == state.texts()
        filed = UsesState()
        assert filed.apply_file(state.to_file()) == []
        assert filed.texts() == state.texts()


def test_a_link_carries_the_present_use_only(state):
    state.am__offset = 2e-3
    state.choose_use("squarer")
    state.squarer__offset_lower = 1e-3
    state.cell__offset_lower = 2e-3
    assert state.texts() == {"use": "squarer", "offset_lower": "1mV", "cell_offset_lower": "2mV"}
    state.apply_query("use=dsb")
    assert state.am__offset == 2e-3, "another use keeps what the user set"


def test_what_a_link_cannot_say_is_told_and_the_rest_is_read(state):
    problems = state.apply_query("use=am&tone_amplitude=3mV&ofset=1mV&tone_frequency=9V&x=1")
    assert state.use == "am" and state.am__tone_amplitude == 3e-3
    assert state.am__tone_frequency == 2e3
    assert len(problems) == 3
    assert "did you mean 'offset'" in problems[0]
    (problem,) = UsesState().apply_query("use=radio")
    assert "mixer" in problem


def test_reset_and_use_stay_apart(state):
    state.choose_use("ssb")
    state.ssb__amplitude_error = 5.0
    state.reset()
    assert state.use == "ssb" and state.ssb__amplitude_error == 1.0


def test_a_circuit_file_becomes_the_built_cell_and_is_kept_in_the_scene_file(state):
    circuit = Circuit(title="Attic mixer", r_load_left=1e3, r_load_right=1e3)
    assert state.apply_file(write_circuit(circuit)) == []
    assert state.model == "built" and state.built_circuit() == circuit
    state.mixer__signal_amplitude = 3e-3
    again = UsesState()
    assert again.apply_file(state.to_file()) == []
    assert again.built_circuit() == circuit and again.mixer__signal_amplitude == 3e-3
    assert "circuit" not in state.texts(), "a link cannot carry a file"


@pytest.mark.parametrize(
    "text, said",
    [
        ("]", "not TOML"),
        ("[scene]\npage = 'steer'", "steer"),
        ("[loads]\nleft = '3 V'", "left"),
        ("x" * 300_000, "characters"),
    ],
)
def test_a_bad_file_changes_nothing(state, text, said):
    before = state.texts(changed_only=False)
    with pytest.raises(QuantityError, match=said):
        state.apply_file(text)
    assert state.texts(changed_only=False) == before


def test_every_stored_circuit_can_be_chosen(state):
    state.model = "built"
    for key in stored_circuits():
        state.circuit = key
        assert state.built_circuit().title


@pytest.mark.parametrize("use", USE_KEYS)
def test_sound_is_limited_and_there_where_it_is_offered(state, use):
    state.choose_use(use)
    result = state.scene(detail=False).result
    options = state.sound_options(result)
    assert bool(options) == (use not in ("gain_control_loop", "phase_detector"))
    for key, _ in options:
        sound = state.sound(key, result)
        assert np.max(np.abs(sound.samples)) <= signals.SOUND_PEAK and not sound.silent


def test_the_mixer_brings_a_call_into_hearing(state):
    """A 45 kHz call with a 43 kHz oscillator is heard at 2 kHz (difference of frequencies)."""
    state.call = "steady"
    sound = state.sound("call", state.scene(detail=False).result)
    one = np.abs(np.fft.rfft(sound.samples.astype(float)))
    strongest = np.argmax(one) * sound.rate / len(sound.samples)
    assert 1.9e3 < strongest < 3.1e3, "46 to 45 kHz less 43 kHz"


# ---------------------------------------------------------------- views and page


@pytest.mark.parametrize("n", [10, 900, 901, 5000, 16384])
def test_thinning_keeps_ends_and_extremes(n):
    x = np.linspace(0.0, 1.0, n)
    y = np.sin(997.0 * x) * (1.0 + 0.1 * x)
    kept_x, kept_y = use_plots.thin(x, y, 900)
    assert len(kept_x) == n if n <= 900 else len(kept_x) <= 900 + 2 * 19 + 2
    assert kept_x[0] == x[0] and kept_x[-1] == x[-1] and np.all(np.diff(kept_x) > 0)
    assert kept_y.max() == y.max() and kept_y.min() == y.min()


@pytest.mark.parametrize(
    "v, up", [(0.9, 1.0), (1.01, 1.5), (0.0123, 0.015), (7.1, 10.0), (0.0, 1.0), (5e-4, 5e-4)]
)
def test_round_up(v, up):
    assert use_plots.round_up(v) == pytest.approx(up)


def test_a_relation_is_printed_with_signs():
    assert (
        use_plots.formula("2/pi x gm R A^2/(8 VT^2)") == "2/\u03c0 \u00d7 gm R A\u00b2/(8 VT\u00b2)"
    )


@pytest.mark.parametrize("use", USE_KEYS)
def test_diagram_has_a_place_for_every_value(state, use):
    state.choose_use(use)
    scene = state.scene(detail=False)
    drawing = use_diagram.draw(use, scene.result.title)
    values = use_diagram.values(scene)
    for name in values:
        assert f'data-id="{name}"' in drawing
    assert drawing.count('data-id="') == len(values), "a place without a value"
    assert all(v["#"] for v in values.values())


def session(query=""):
    page = UsesPage()
    page.start(query)
    return page


@pytest.mark.parametrize("use", USE_KEYS)
def test_page_draws_every_view_of_every_use(use):
    page = session(f"use={use}")
    result = page.state.scene().result
    patch = page.merits.sent
    for merit in result.merits:
        assert patch[f"value-{merit.key}"]["#"] == merit.reading
        assert patch[f"mark-{merit.key}"]["data-holds"] == ("yes" if merit.holds else "no")
    assert patch["top-value"]["#"].replace("\u00a0", " ") == result.merits[0].reading
    assert page.words.sent["sentence"]["#"].replace("\u00a0", " ") == result.sentence
    assert page.tabs.sent[f"tab-{use}"]["aria-pressed"] == "true"
    for key in TIME_VIEWS[use]:
        page.controls.handle({"kind": "pick", "time": key})
        drawn = [s.data for s in page.time.lines.sources if len(s.data["x"])]
        assert drawn and all(np.all(np.isfinite(d["y"])) for d in drawn)
        assert all(d["y"].dtype == np.float32 for d in drawn)
    for n, curve in enumerate(result.curves, 1):
        page.controls.handle({"kind": "pick", "curve": str(n)})
        assert len([s for s in page.curve.lines.sources if len(s.data["x"])]) == len(curve.traces)
    for plot in (page.time, page.spectrum, page.curve):
        rows = plot.csv().strip().split("\n")
        width = rows[0].count(",")
        assert len(rows) > 10 and all(r.count(",") == width for r in rows)


def test_spectrum_csv_holds_every_line():
    page = session("use=am")
    s = page.state.scene().result.spectrum.spectrum
    rows = np.loadtxt(page.spectrum.csv().split("\n"), delimiter=",", skiprows=1)
    assert rows[:, 0] == pytest.approx(s.frequency)
    assert rows[:, 1] == pytest.approx(s.peak, rel=1e-8, abs=1e-15)


def test_the_figure_on_top_can_be_chosen_and_is_in_the_link():
    page = session("use=mixer")
    page.controls.handle({"kind": "pick", "figure": "image"})
    assert page.merits.sent["row-image"]["class"] == "chosen"
    assert "Image rejection" in page.merits.sent["top-name"]["#"]
    assert "figure=image" in page.state.query()
    page.controls.handle({"kind": "pick", "figure": "nonsense"})
    assert page.state.figure == "image"


def test_a_scene_without_an_answer_keeps_the_last_drawing_and_says_why(monkeypatch):
    page = session("use=mixer")
    good = page.merits.sent["top-value"]["#"]

    def refuse(*args, **kwargs):
        raise QuantityError("the cell has no solution at 3 of 4096 samples.")

    with monkeypatch.context() as patched:
        patched.setattr("forktail.pages.uses.state.run_use", refuse)
        page.state.mixer__signal_amplitude = 3e-3
    assert page.words.sent["problem"]["#"].startswith("The cell has no solution")
    assert page.words.sent["problem"]["hidden"] is None
    assert page.tabs.sent["main"]["data-problem"] == "yes"
    assert page.merits.sent["top-value"]["#"] == good
    page.state.mixer__signal_amplitude = 2e-3
    assert page.words.sent["problem"]["hidden"] == ""
    assert page.tabs.sent["main"]["data-problem"] is None


@pytest.mark.parametrize("scale", [1.0, 4.0 / 3.0])
def test_names_in_the_spectrum_do_not_overlap(scale):
    page = session("use=mixer&band=all")
    page.spectrum.fit(700, 260, scale)
    names = page.spectrum.names.data
    low, high = page.spectrum.figure.x_range.start, page.spectrum.figure.x_range.end
    spots = [
        (700 * (x - low) / (high - low), y, scale * 6.0 * len(t) / 2)
        for x, y, t in zip(names["x"], names["y"], names["text"])
    ]
    assert len(spots) >= 3
    for k, (x, y, half) in enumerate(spots):
        for a, b, other in spots[:k]:
            assert abs(x - a) >= half + other or abs(y - b) * 260 / 134 >= scale * 12.0


def test_numbers_csv_can_be_read_back():
    result = session("use=dsb").state.scene().result
    rows = [r.split(",") for r in use_readouts.numbers_csv(result).strip().split("\n")[1:]]
    settings = {r[1].strip('"'): r[2] for r in rows if r[0] == "setting"}
    assert float(settings["tone_amplitude"]) == result.settings.tone_amplitude
    assert sum(r[0] == "figure" for r in rows) == len(result.merits)
