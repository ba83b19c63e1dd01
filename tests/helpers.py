"""What several tests need: values drawn over the working range, and exact arithmetic.

Nothing here uses forktail.core: the decimal functions are an independent reference.
"""

import asyncio
from concurrent.futures import Future
from decimal import Decimal, getcontext
from pathlib import Path
from threading import Thread

import pytest
from hypothesis import strategies as st

getcontext().prec = 60

#: Boltzmann constant and elementary charge, exact: SI Brochure, 9th edition (2019).
K_DECIMAL, Q_DECIMAL = Decimal("1.380649e-23"), Decimal("1.602176634e-19")

VT_25 = 1.380649e-23 * 298.15 / 1.602176634e-19


def readme_example():
    """Lines of the notebook example of the README."""
    readme = Path(__file__).resolve().parents[1] / "README.md"
    (block,) = readme.read_text(encoding="utf-8").split("```python\n")[1:]
    return list(filter(None, block.partition("```")[0].splitlines()))


def near(value, rel=1e-6, abs=0.0):
    """As `pytest.approx`, without its allowance of 1e-12, within which every noise power is 0."""
    return pytest.approx(value, rel=rel, abs=abs)


def finite(low, high):
    """Floats between two bounds, without the subnormal ones that no bench can set."""
    return st.floats(low, high, allow_nan=False, allow_subnormal=False)


volts = finite(-10.0, 10.0)
small_volts = finite(-0.2, 0.2)
tails = finite(0.0, 0.1)
live_tails = finite(1e-6, 0.1)
loads = finite(1.0, 1e6)
kelvins = finite(123.15, 473.15)
resistors = st.one_of(st.just(0.0), finite(0.1, 10e3))
offsets = finite(-0.1, 0.1)


def allowed(spec):
    """Values that a `Spec` allows; of a number those of its slider often."""
    if spec.kind == "flag":
        return st.booleans()
    if spec.kind == "choice":
        return st.sampled_from(spec.keys)
    if spec.kind == "text":
        return st.text(max_size=30)
    if spec.whole:
        return st.integers(int(spec.low), int(spec.high))
    values = [
        st.floats(
            -1e9 if spec.low is None else spec.low,
            1e9 if spec.high is None else spec.high,
            allow_nan=False,
            allow_infinity=False,
            allow_subnormal=False,
            exclude_min=spec.low_open,
        )
    ]
    if spec.slider:
        values.append(st.integers(0, spec.steps()).map(spec.at_step))
    if spec.infinite:
        values.append(st.just(float("inf")))
    return st.one_of(values)


def apart(work):
    """Run a coroutine, or call a function, in a thread of its own; returns what it returns.

    Once a browser test has run, the driver's loop counts as running in its thread, where no
    other may run.
    """
    answer = Future()

    def run():
        try:
            answer.set_result(asyncio.run(work) if asyncio.iscoroutine(work) else work())
        except BaseException as error:  # told to the one who waits
            answer.set_exception(error)

    Thread(target=run, daemon=True).start()
    return answer.result(60)


def tanh_decimal(x):
    """tanh of a Decimal: (1 - e^-2x)/(1 + e^-2x), NIST DLMF 4.28."""
    e = (-2 * abs(x)).exp()
    return ((1 - e) / (1 + e)).copy_sign(x)


def thermal_voltage_decimal(temperature):
    """kT/q as a Decimal, from the float `temperature`."""
    return K_DECIMAL * Decimal(temperature) / Q_DECIMAL


def split_decimal(v_diff, temperature=298.15, i_tail=0.0, r_emitter=0.0):
    """Both fractions of a pair to about 55 digits, by bisection of its implicit law.

    v_diff = VT ln(f/(1 - f)) + i_tail r_emitter (2 f - 1), with f = 1/(1 + e^-w).
    """
    v, v_t = Decimal(v_diff), thermal_voltage_decimal(temperature)
    drop = Decimal(i_tail) * Decimal(r_emitter)
    size = abs(v)
    low, high = Decimal(0), size / v_t
    if drop:
        for _ in range(200):
            w = (low + high) / 2
            if v_t * w + drop * tanh_decimal(w / 2) < size:
                low = w
            else:
                high = w
    e = (-high).exp()
    more, less = 1 / (1 + e), e / (1 + e)
    return (more, less) if v >= 0 else (less, more)


def search_among(monkeypatch, keys, setups=None):
    """Let a comparison know these hypotheses alone, and so many mistakes of the scope."""
    # here, so that a module with a fault is found by its tests and not by pytest's start
    from forktail.core.capture import hypotheses, scope

    every, all_setups = hypotheses.suspects, scope.setups
    monkeypatch.setattr(
        hypotheses, "suspects", lambda *given: tuple(s for s in every(*given) if s.key in keys)
    )
    monkeypatch.setattr(scope, "setups", lambda *given: all_setups(*given)[:setups])
