"""Settings of the uses. A link leaves out what is as usual, so a default is part of the format."""

import pytest

from forktail.core.checks import QuantityError
from forktail.core.spec import SPECS, specs_of
from forktail.core.uses import USES, run_use

FAINT = ("2mV", "100uV", "50mV", 499)
CALL = ("45kHz", "20kHz", "110kHz", 90)
ERROR = ("-45deg", "45deg", 900)
TURN = ("-180deg", "180deg", 360)
TRIM = ("-20mV", "20mV", 4000)
STRONG = ("300mV", "1mV", "1V", 999)
CARRIER = {"carrier_amplitude": ("8mV", "1mV", "200mV", 199), "carrier_frequency": CALL}
TONE = {"tone_amplitude": ("5mV", "100uV", "50mV", 499)}
PITCH = {"tone_frequency": ("2kHz", "100Hz", "10kHz", 99)}
#: Of each use the settings: of a number the default, ends and number of steps of the slider; of a
#: choice the default and the keys.
USUAL = {
    "variable_gain": {
        "amplitude": FAINT,
        "frequency": CALL,
        "control": ("30mV", "-150mV", "150mV", 300),
        "drift": ("500uV", "10uV", "10mV", 999),
        "arctanh": (False,),
        "noise_band": ("4kHz", "100Hz", "20kHz", 370),
    },
    "gain_control_loop": {
        "level": FAINT,
        "step": ("12dB", "-20dB", "20dB", 80),
        "frequency": CALL,
        "wanted": ("40mV", "1mV", "200mV", 199),
        "integrator_time": ("5ms", "200us", "20ms", 198),
        "detector_time": ("100us", "10us", "1ms", 99),
        "control_limit": ("150mV", "20mV", "300mV", 56),
    },
    "am": CARRIER
    | {"tone_amplitude": ("2mV", "0V", "50mV", 500)}
    | PITCH
    | {"offset": ("4mV", "-50mV", "50mV", 1000)},
    "dsb": CARRIER | TONE | PITCH | {"offset": ("500uV", *TRIM), "trim": ("0V", *TRIM)},
    "ssb": CARRIER
    | TONE
    | PITCH
    | {
        "sideband": ("upper", "upper", "lower"),
        "tone_phase_error": ("2deg", *ERROR),
        "carrier_phase_error": ("0deg", *ERROR),
        "amplitude_error": ("1%", "-50%", "50%", 1000),
    },
    "mixer": {
        "signal_frequency": ("45kHz", "20kHz", "110kHz", 180),
        "signal_amplitude": FAINT,
        "second_frequency": ("45.5kHz", "20kHz", "110kHz", 180),
        "second_amplitude": ("2mV", "0V", "50mV", 500),
        "oscillator_frequency": ("43kHz", "10kHz", "150kHz", 280),
        "oscillator_amplitude": ("150mV", "1mV", "300mV", 299),
        "wanted": ("down", "down", "up"),
        "noise_band": ("4kHz", "100Hz", "20kHz", 370),
    },
    "phase_detector": {
        "frequency": ("40kHz", "10kHz", "110kHz", 100),
        "upper_amplitude": STRONG,
        "lower_amplitude": STRONG,
        "phase": ("60deg", *TURN),
        "shape": ("sine", "sine", "square"),
        "oscillator_pull": ("1kHz", "100Hz", "10kHz", 99),
    },
    "squarer": {
        "amplitude": ("15mV", "1mV", "200mV", 199),
        "frequency": ("22.5kHz", "10kHz", "110kHz", 200),
        "phase": ("0deg", *TURN),
        "offset_upper": ("300uV", *TRIM),
        "offset_lower": ("300uV", *TRIM),
    },
}

#: Figures of the noise of the textbook cell, which has no source.
NOISE = " noise_output/V/sqrt(Hz) noise_input/V/sqrt(Hz) noise_rms/V faintest/V noise_range/dB"
#: Of each use the figures with their units.
FIGURES = {
    "variable_gain": "gain gain_db/dB opposite largest null/V control_range/V usable_range/dB"
    " hd3/% range/V range_won/dB per_kelvin/%/K hum/%" + NOISE,
    "gain_control_loop": "attack/s release/s damping overshoot/% held/V least_input/V ripple/V"
    " hd3/%",
    "am": "depth/% envelope_depth/% sideband/dB sideband_share/% total_power"
    " envelope_distortion/% edge/V",
    "dsb": "suppression/dB suppression_peak/dB best_trim/V after_trim/dB tone_leak/dB sideband/V"
    " third_order/%",
    "ssb": "rejection/dB wanted/V image/V carrier/dB carrier_peak/dB allowed_phase/deg"
    " allowed_amplitude/%",
    "mixer": "conversion_gain conversion_gain_db/dB hard_limit/% other_product/dB image/dB"
    " compression/V third_order/% intercept/V oscillator_leak/dB signal_leak/dB" + NOISE,
    "phase_detector": "output/V slope/V/rad zero/deg swing/V straightness/% lock_range/Hz",
    "squarer": "second/V residual/dB dc/V fourth/% purity/%",
}


#: What a use measures nothing without.
NEEDED = {
    "variable_gain": ("amplitude",),
    "gain_control_loop": ("level", "wanted", "control_limit"),
    "am": ("carrier_amplitude",),
    "dsb": ("carrier_amplitude", "tone_amplitude"),
    "ssb": ("carrier_amplitude", "tone_amplitude"),
    "mixer": ("signal_amplitude", "oscillator_amplitude"),
    "phase_detector": ("upper_amplitude", "lower_amplitude"),
    "squarer": ("amplitude",),
}


@pytest.mark.parametrize("key, name", [(k, n) for k, names in NEEDED.items() for n in names])
def test_a_use_without_what_it_measures_is_refused(key, name):
    with pytest.raises(QuantityError, match="nothing to measure|above 0"):
        run_use(key, {name: 0.0}, detail=False)


@pytest.mark.parametrize("step", [-61.0, 61.0])
def test_a_step_beyond_60_db_is_refused(step):
    with pytest.raises(QuantityError, match="60"):
        run_use("gain_control_loop", {"step": step}, detail=False)


@pytest.mark.parametrize("key", USES)
def test_a_use_is_as_links_rely_on(key):
    use, found = USES[key], {}
    for name, s in specs_of(use.settings).items():
        if s.kind == "number":
            low, high = s.slider
            found[name] = (s.write(s.default), s.write(low), s.write(high), s.steps())
            assert low <= s.default <= high and s.step
            assert (s.low is None or s.low <= low) and (s.high is None or high <= s.high)
        else:
            found[name] = (s.default, *s.keys)
        assert s.part == "use" and s.label and s.doc
        assert s.quantity in SPECS or s.quantity == name
        if s.quantity in SPECS and (key, name) != ("squarer", "frequency"):  # there is only one
            assert s.label != SPECS[s.quantity].label
    assert list(found.items()) == list(USUAL[key].items())  # in this order
    run = run_use(key, detail=False)
    assert run.settings == use.settings()
    assert " ".join(f"{m.key}/{m.unit}".rstrip("/") for m in run.merits) == FIGURES[key]
    assert use.title and use.summary.endswith(".") and use.records


def test_all_uses_are_here():
    assert list(USES) == list(USUAL)
