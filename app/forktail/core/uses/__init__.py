"""Every use of the cell by its key: title, settings, and the function that runs it.

`variable_gain`, `gain_control_loop`, `am`, `dsb`, `ssb`, `mixer`, `phase_detector`, `squarer`.
Each runs on any solver `solve(v_upper, v_lower) -> OperatingPoint`; the textbook cell is the
default. All examples belong to an invented workshop for bat-call receivers.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from forktail.core.checks import QuantityError
from forktail.core.spec import read_settings
from forktail.core.uses import gain as uses_gain
from forktail.core.uses import mixing as uses_mixing
from forktail.core.uses import modulation as uses_modulation
from forktail.core.uses import phase as uses_phase
from forktail.core.uses.result import held_against_matched


@dataclass(frozen=True)
class Use:
    """One use: `settings` is the dataclass of its settings, `run(settings, solve, detail)` what
    runs it, `summary` one sentence on what it is for."""

    key: str
    title: str
    settings: type
    run: Callable
    summary: str


USES = {
    u.key: u
    for u in (
        Use(
            "variable_gain",
            "Variable gain",
            uses_gain.VariableGain,
            uses_gain.run_variable_gain,
            "A control voltage on the lower input sets how much, and with which sign, "
            "the signal on "
            "the upper input is amplified.",
        ),
        Use(
            "gain_control_loop",
            "Gain control loop",
            uses_gain.GainControlLoop,
            uses_gain.run_gain_control_loop,
            "A detector and an integrator move the control voltage so that the output keeps its "
            "level when a bat comes closer.",
        ),
        Use(
            "am",
            "Amplitude modulation",
            uses_modulation.AmplitudeModulation,
            uses_modulation.run_am,
            "A tone on a DC level makes the carrier swell and shrink: the roost beacon.",
        ),
        Use(
            "dsb",
            "Double sideband",
            uses_modulation.DoubleSideband,
            uses_modulation.run_dsb,
            "Without DC on the modulating input the carrier vanishes and the sidebands stay.",
        ),
        Use(
            "ssb",
            "Single sideband by phasing",
            uses_modulation.SingleSideband,
            uses_modulation.run_ssb,
            "Two cells a quarter cycle apart cancel one of the two sidebands.",
        ),
        Use(
            "mixer",
            "Mixer",
            uses_mixing.Mixer,
            uses_mixing.run_mixer,
            "A 45 kHz bat call meets a 43 kHz oscillator and is heard at 2 kHz.",
        ),
        Use(
            "phase_detector",
            "Phase detector",
            uses_phase.PhaseDetector,
            uses_phase.run_phase_detector,
            "The mean output tells the phase between two inputs of one frequency: "
            "the range-finder.",
        ),
        Use(
            "squarer",
            "Squarer, frequency doubler",
            uses_phase.Squarer,
            uses_phase.run_squarer,
            "The same wave on both inputs comes out at twice its frequency.",
        ),
    )
}


def use_of(key):
    """The Use with this key, or QuantityError that lists the keys."""
    if key not in USES:
        raise QuantityError(f"use is {key!r}; there are {', '.join(USES)}.")
    return USES[key]


def run_use(key, settings=None, solve=None, detail=True):
    """Run one use.

    Parameters
    ----------
    key : str
        A key of `USES`.
    settings : dataclass or mapping, optional
        The settings of this use, or typed entries (see `spec.read_settings`).
    solve : callable, optional
        (v_upper, v_lower) -> OperatingPoint; the textbook cell if left out.
    detail : bool
        Whether the characteristic curves are computed.

    Returns
    -------
    UseResult

    Raises
    ------
    QuantityError
        For an unknown use, settings that cannot be used, or a cell without an answer.
    """
    use = use_of(key)
    if isinstance(settings, Mapping):
        settings = read_settings(use.settings, settings)
    elif settings is not None and not isinstance(settings, use.settings):
        raise QuantityError(
            f"settings are {type(settings).__name__}; allowed is {use.settings.__name__} for {key}."
        )
    return held_against_matched(use.run, settings, solve, detail)
