"""One declaration of every quantity that a person can set.

A `Spec` says what a quantity is called, its unit, what is allowed and how it is read and written.
The params of pages, the settings of uses, the columns of a circuit file, the options of commands,
the keys of links and the sentences about what is out of range are made from it. So a value that
is valid in one place is valid in all, and what is refused is refused with one sentence.

`SPECS` holds the quantities that several places use. A place takes one with `spec(...)`, which
may change what belongs to the place (default, label, slider, part of the scene) and nothing of what
is allowed:

    >>> r_load = spec("r_load", default=2200.0)
    >>> r_load.read("2k2")
    2200.0
    >>> r_load.read("5 V")
    Traceback (most recent call last):
      ...
    forktail.core.checks.QuantityError: Load resistors: '5 V' is a voltage; give a resistance \
in ohm, such as 2k2.
    >>> r_load.write(2200.0), r_load.show(2200.0)
    ('2.2kohm', '2.20 kΩ')
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from decimal import Decimal
from functools import cached_property, lru_cache
from typing import Any, TypeVar, cast

import numpy as np

from forktail.core.checks import QuantityError, shortened
from forktail.core.quantities import (
    format_quantity,
    format_temperature,
    parse_quantity,
    parse_temperature,
)
from forktail.core.thermal import T_NOMINAL, ZERO_CELSIUS

_YES, _NO = ("yes", "true", "1"), ("no", "false", "0")

#: A value of any kind: a float in SI, an int of what counts something, a text or a bool.
Value = Any
#: A dataclass whose fields carry specs.
Settings = TypeVar("Settings")


@dataclass(frozen=True)
class Spec:
    """What one quantity is and what it may be.

    Attributes
    ----------
    name : str
        Key in links, files and messages of the core.
    kind : str
        `number`, `choice` (one key of `choices`), `flag` (yes or no) or `text`.
    default : object
        SI for a number.
    unit : str
        A key of `quantities.UNITS`.
    low, high : float or None
        Inclusive bounds, SI. `low_open` refuses `low` itself.
    infinite : str
        How an infinite value is written; "" if it may not be infinite.
    choices : tuple of (key, title)
    label, symbol, doc : str
        On the screen: name of the control, symbol in sums, one sentence on what it is.
    slider, step : (float, float), float
        Range and step of a slider, SI.
    even : str
        What equal distances on the slider are: `steps` or `ratios` (over round values).
    most_digits : int
        A value is shown with three digits, or as many as it has up to this number.
    whole : bool
        Whether the number counts something.
    part : str
        Which part of a scene it belongs to: `cell`, `upper`, `lower`, `path`, ... On a part whose
        name begins with `view` no result depends. Caches ask for the values of parts
        (`PageState.key`).
    quantity : str
        Name under which it was declared, whatever it is called at this place.
    """

    name: str
    kind: str = "number"
    default: Value = 0.0
    unit: str = ""
    low: float | None = None
    high: float | None = None
    low_open: bool = False
    infinite: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    label: str = ""
    symbol: str = ""
    doc: str = ""
    slider: tuple[float, ...] = ()
    step: Any = None
    even: str = "steps"
    most_digits: int = 3
    whole: bool = False
    part: str = "cell"
    quantity: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "quantity", self.quantity or self.name)

    # ---- what a place may change

    def at(self, name: str | None = None, **changes: Any) -> "Spec":
        """The same quantity at another place.

        Parameters
        ----------
        name : str, optional
            Its key there.
        **changes
            Any of default, label, symbol, doc, slider, step, even, most_digits, part.

        Raises
        ------
        TypeError
            For anything that says what is allowed: that is declared once.
        """
        for change in changes:
            if change not in _OF_A_PLACE:
                raise TypeError(f"{change} is declared once, by the quantity {self.name}")
        return replace(self, **changes, name=name or self.name)

    # ---- reading and checking

    @property
    def ends(self) -> tuple[float, float]:
        """Lowest and highest value that is allowed, SI; infinite where there is no bound."""
        low, high = self.low, self.high
        return -math.inf if low is None else low, math.inf if high is None else high

    @property
    def title(self) -> str:
        """Label, or the name where there is none."""
        return self.label or self.name

    @cached_property
    def allowed(self) -> str:
        """What is allowed, in words: `it must be 1 ohm to 1 Mohm`."""
        if self.kind == "choice":
            return f"it must be one of {', '.join(map(str, self.keys))}"
        if self.kind == "flag":
            return "it must be yes or no"
        if self.kind == "text":
            return "it must be text"
        low, high = (None if b is None else self._bound(b) for b in (self.low, self.high))
        above = "above " if self.low_open else ""
        if low is not None and high is not None:
            words = f"it must be {above}{low} to {high}"
        elif low is not None:
            words = f"it must be {above or 'at least '}{low}"
        elif high is not None:
            words = f"it must be at most {high}"
        else:
            words = "it must be a finite number"
        return words + (f", or {self.infinite}" if self.infinite else "")

    def _bound(self, value: float) -> str:
        # a bound that was rounded would itself be refused
        if self.unit == "K":
            return f"{value - ZERO_CELSIUS:.6g} degC"
        digits = _digits(value, 1, 17)
        return format_quantity(value, self.unit, digits, ascii_only=True)

    def read(self, text: Value, where: str | None = None) -> Value:
        """Read what somebody typed, or what a link or a file holds.

        Parameters
        ----------
        text : str, float or bool
        where : str, optional
            What the message begins with: an option, a line of a file; the label if left out.

        Returns
        -------
        float, int, str or bool
            SI; an int of what counts something.

        Raises
        ------
        QuantityError
            One sentence: where, what stood there, and what would be right.
        """
        where = where or self.title
        if self.kind == "choice":
            key = str(text)
            if key not in self.keys:
                raise QuantityError(f"{where}: '{shortened(text)}' is not known; {self.allowed}.")
            return key
        if self.kind == "flag":
            if isinstance(text, (bool, np.bool_)):
                return bool(text)
            word = str(text).strip().lower()
            if word not in _YES + _NO:
                raise QuantityError(f"{where}: '{shortened(text)}' is neither yes nor no.")
            return word in _YES
        if self.kind == "text":
            return str(text)
        if self.infinite and str(text).strip().lower() in ("none", "inf", "infinite"):
            return math.inf
        if self.unit == "K":
            value = self._bound_or(parse_temperature(text, where))
        else:  # a bare number in a file is per cent, as a typed one is
            typed = str(text) if self.unit == "fraction" else text
            value = parse_quantity(typed, self.unit, where)
        self._hold(value, text, where)
        return int(value) if self.whole else value

    def _bound_or(self, value: float) -> float:
        """A bound that came out just beyond itself: -73.15 degC is 200 K, and not a rounding less.

        What lies inside is kept as it is, or a file would not give back what was saved.
        """
        for bound, beyond in ((self.low, -1.0), (self.high, 1.0)):
            if bound and beyond * (value - bound) > 0.0:
                return bound if math.isclose(value, bound, rel_tol=1e-15) else value
        return value

    def check(self, value: Value, where: str | None = None) -> Value:
        """Return a value of the right type, or raise the sentence that `read` would.

        Raises
        ------
        QuantityError
            If it is no number, not finite where that is not allowed, or out of bounds.
        """
        where = where or self.title
        if self.kind == "text" and not isinstance(value, str):
            raise QuantityError(f"{where}: {shortened(repr(value))} is not text; {self.allowed}.")
        if self.kind != "number":
            return self.read(value, where)
        if type(value) is float and math.isfinite(value) and not self.whole:
            self._hold(value, None, where)
            return value
        try:
            array = np.asarray(value, dtype=float)
        except (TypeError, ValueError):
            raise QuantityError(
                f"{where}: {shortened(repr(value))} is not a number; {self.allowed}."
            ) from None
        if array.ndim:
            raise QuantityError(f"{where} has the shape {array.shape}; give one number.")
        number = float(array)
        if self.infinite and number == math.inf:
            return number
        if not math.isfinite(number):
            raise QuantityError(f"{where}: '{number:g}' is not a finite number; {self.allowed}.")
        self._hold(number, None, where)
        return int(number) if self.whole else number

    def _hold(self, value: float, text: Value, where: str) -> None:
        low = self.low is None or value > self.low or (value == self.low and not self.low_open)
        if not (low and (self.high is None or value <= self.high)):
            text = self.write(value) if text is None else shortened(text)
            raise QuantityError(f"{where}: '{text}' is out of range; {self.allowed}.")
        if self.whole and value != round(value):
            text = self.write(value) if text is None else shortened(text)
            raise QuantityError(f"{where}: '{text}' is not a whole number; {self.allowed}.")

    @cached_property
    def keys(self) -> tuple[str, ...]:
        """Keys of the choices, in order."""
        return tuple(key for key, _ in self.choices)

    # ---- writing

    def write(self, value: Value, gap: str = "") -> str:
        """Shortest plain text that `read` turns back into exactly this value.

        `gap` stands between number and unit.
        """
        if self.kind == "flag":
            return "yes" if value else "no"
        if self.kind != "number":
            return str(value)
        if self.infinite and value == math.inf:
            return self.infinite
        return exact_text(float(value), self.unit, gap)

    def show(self, value: Value, digits: int = 3) -> str:
        """Text of a value for the screen."""
        if self.kind == "choice":
            return dict(self.choices).get(value, str(value))
        if self.kind != "number":
            return self.write(value)
        if self.infinite and value == math.inf:
            return self.infinite
        if self.unit == "K":
            return format_temperature(value)
        digits = _digits(value, digits, max(digits, self.most_digits))
        return format_quantity(value, self.unit, digits)

    # ---- the slider

    def steps(self) -> int:
        """Number of steps of the slider."""
        if self.even == "ratios":
            return len(round_values(*self.slider)) - 1
        low, high = self.slider
        return int(round((high - low) / self.step))

    def at_step(self, index: int) -> float:
        """Value at a slider position; rounding keeps 0.1 mV steps free of float dust."""
        if self.even == "ratios":
            return round_values(*self.slider)[index]
        return float(f"{self.slider[0] + index * self.step:.9g}")

    def stepped(self, value: float, by: int) -> float:
        """The value `by` steps on, held at the bounds; as it was where there is no such value."""
        on = float(f"{value + by * self.step:.9g}")
        on = on if self.low is None else max(on, self.low)
        on = on if self.high is None else min(on, self.high)
        return value if self.low_open and on == self.low else on

    def position(self, value: float) -> int:
        """Slider position nearest to `value`, held at the ends."""
        if self.even == "ratios":
            stops = np.array(round_values(*self.slider))
            return int(np.argmin(np.abs(np.log(stops / max(value, stops[0])))))
        return int(min(max(round((value - self.slider[0]) / self.step), 0), self.steps()))


#: What a place may say for itself.
_OF_A_PLACE = frozenset(
    ("default", "label", "symbol", "doc", "slider", "step", "even", "most_digits", "part")
)


def _digits(value: float, least: int, most: int) -> int:
    """As many significant digits as a value has, between `least` and `most`."""
    return next(
        (n for n in range(least, most) if float(f"{value:.{n - 1}e}") == value), max(least, most)
    )


@lru_cache(maxsize=4096)
def exact_text(value: float, unit: str, gap: str = "") -> str:
    """Shortest text that reads back to the same float, `gap` before its unit: `2.2kohm`."""
    if math.isinf(value) or math.isnan(value):
        return repr(value)

    if unit == "fraction":
        percent = Decimal(repr(value)).scaleb(2)
        plain = not value or 1e-6 <= abs(value) < 1e6
        return f"{percent:f}{gap}%" if plain else f"{percent.normalize():e}{gap}%"

    def exact(text: str) -> bool:
        try:
            return (parse_temperature(text) if unit == "K" else parse_quantity(text, unit)) == value
        except QuantityError:  # rounded past the largest float, or below zero kelvin
            return False

    if unit == "K":
        celsius = f"{value - ZERO_CELSIUS:.6g}{gap}degC"
        return celsius if exact(celsius) else f"{value!r}{gap}K"
    for digits in range(1, 18):
        text = format_quantity(value, unit, digits, ascii_only=True).replace(" ", gap)
        if exact(text):
            return text
    return repr(value)


@lru_cache(maxsize=64)
def round_values(low: float, high: float) -> tuple[float, ...]:
    """Values 1 to 10 in steps that grow with them, in every decade from `low` to `high`."""
    decade = [*range(100, 200, 2), *range(200, 500, 5), *range(500, 1000, 10)]
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    values = [float(f"{m * 10.0 ** (k - 2):.6g}") for k in range(first, last + 1) for m in decade]
    return tuple(v for v in values if low * (1 - 1e-9) <= v <= high * (1 + 1e-9))


# ---------------------------------------------------------------- dataclasses of specs


def setting(spec: Spec) -> Any:
    """A dataclass field that carries its spec; `specs_of` finds it again."""
    return field(default=spec.default, metadata={"spec": spec})


@lru_cache(maxsize=256)
def _specs_of(cls: Any) -> dict[str, Spec]:
    found = {f.name: f.metadata["spec"] for f in fields(cls) if "spec" in f.metadata}
    return {n: s if s.name == n else replace(s, name=n) for n, s in found.items()}


def specs_of(cls: Any) -> dict[str, Spec]:
    """Specs of a dataclass (or of one of its instances) by field: dict in order."""
    return _specs_of(cls if isinstance(cls, type) else type(cls))


def without(settings: Settings, *parts: str) -> Settings:
    """The same settings, those of some parts at their defaults: what does not depend on them."""
    specs = specs_of(settings).items()
    return replace(cast(Any, settings), **{n: s.default for n, s in specs if s.part in parts})


def checked(settings: Settings) -> Settings:
    """The same settings, every value held against its spec.

    Raises
    ------
    QuantityError
        The sentence of the first value that is not allowed.
    """
    values = {n: s.check(getattr(settings, n)) for n, s in specs_of(settings).items()}
    return replace(cast(Any, settings), **values)


def read_settings(
    cls: type[Settings], entries: Mapping[str, Value] | Iterable[tuple[str, Value]]
) -> Settings:
    """Settings from typed entries (name -> text); what is not given keeps its default.

    Raises
    ------
    QuantityError
        For an unknown name, or an entry that its spec refuses.
    """
    specs = specs_of(cls)
    values = {}
    for name, text in dict(entries).items():
        if name not in specs:
            raise QuantityError(f"'{name}' is not a setting here; there are {', '.join(specs)}.")
        values[name] = specs[name].read(text, name)
    return cls(**values)


# ---------------------------------------------------------------- the quantities


def _number(
    name: str,
    default: float,
    unit: str,
    low: float | None,
    high: float | None,
    label: str = "",
    slider: tuple[float, ...] = (),
    step: float | None = None,
    **more: Any,
) -> Spec:
    return Spec(
        name, "number", default, unit, low, high, label=label, slider=slider, step=step, **more
    )


def choice(
    name: str,
    default: str,
    choices: Mapping[str, str] | Iterable[tuple[str, str]],
    label: str = "",
    doc: str = "",
    part: str = "cell",
) -> Spec:
    """A spec that takes one of a few keys; `choices` maps key -> title."""
    return Spec(
        name, "choice", default, choices=tuple(dict(choices).items()), label=label,
        doc=doc or label, part=part,
    )  # fmt: skip


def flag(name: str, default: bool, label: str = "", doc: str = "", part: str = "cell") -> Spec:
    """A spec that is yes or no."""
    return Spec(name, "flag", default, label=label, doc=doc or label, part=part)


def text(name: str, default: str = "", label: str = "", doc: str = "", part: str = "cell") -> Spec:
    """A spec that takes any text."""
    return Spec(name, "text", default, label=label, doc=doc or label, part=part)


def number(
    name: str,
    default: float,
    unit: str = "",
    low: float | None = None,
    high: float | None = None,
    **more: Any,
) -> Spec:
    """A spec of a quantity that is used in one place only; `more` as the fields of `Spec`."""
    return Spec(name, "number", default, unit, low, high, **more)


#: Quantities that are used in more than one place, by name.
SPECS = {
    s.name: s
    for s in (
        # inputs
        _number("v_upper", 0.02, "V", -10.0, 10.0, "Upper input", (-0.1, 0.1), 1e-3,
                symbol="v_upper", doc="Differential input of the upper pairs, V.", part="inputs"),
        _number("v_lower", 0.02, "V", -10.0, 10.0, "Lower input", (-0.1, 0.1), 1e-3,
                symbol="v_lower", doc="Differential input of the lower pair, V.", part="inputs"),
        # the cell
        _number("i_tail", 2e-3, "A", 0.0, 10.0, "Tail current", (0.0, 4e-3), 5e-5,
                symbol="i_tail", doc="Tail current, A."),
        _number("r_load", 1e3, "ohm", 0.0, 1e9, "Load resistors", (100.0, 10e3), 100.0,
                symbol="r_load", doc="Each load, ohm."),
        _number("temperature", T_NOMINAL, "K", 200.0, 450.0, "Temperature", (233.15, 398.15), 1.0,
                symbol="T", doc="Junctions, K."),
        _number("v_supply", 12.0, "V", 0.0, 1000.0, "Supply", (3.0, 24.0), 0.5,
                symbol="v_supply", doc="Supply, V."),
        _number("offset", 0.0, "V", -1.0, 1.0, "Offset", (-0.01, 0.01), 1e-4,
                doc="Offset voltage of a pair, V."),
        _number("r_emitter", 0.0, "ohm", 0.0, 1e6, "Emitter resistors", (0.0, 500.0), 5.0,
                doc="In each emitter, ohm."),
        # waves
        _number("amplitude", 0.01, "V", 0.0, 10.0, "Amplitude", (0.0, 0.2), 1e-3, doc="V peak."),
        # one period of the slowest takes as long as the longest `time`
        _number("frequency", 45e3, "Hz", 1e-4, 1e7, "Frequency", (100.0, 200e3), 100.0,
                doc="Hz.", even="ratios", most_digits=5),
        _number("bandwidth", 4e3, "Hz", 1.0, 1e6, "Bandwidth", (100.0, 20e3), 100.0,
                doc="Hz, over which noise is added up.", even="ratios"),
        _number("phase", 0.0, "deg", -360.0, 360.0, "Phase", (-180.0, 180.0), 5.0,
                doc="Degrees."),
        _number("dc", 0.0, "V", -10.0, 10.0, "DC", (-0.1, 0.1), 1e-3, doc="V added to a wave."),
        _number("time", 0.0, "s", 0.0, 1e4, "Time", (0.0, 250e-6), 5e-7, most_digits=5,
                doc="s.", part="view"),
        # parts of a board
        _number("resistance", 1e3, "ohm", 0.0, 1e9, "Resistor", doc="ohm; 0 is a wire."),
        _number("resistor", 1e3, "ohm", 0.1, 1e9, "Resistor", doc="ohm, of one that is there."),
        _number("termination", 50.0, "ohm", 0.1, None, "Termination", infinite="none",
                doc="Across a drive, ohm."),
        _number("capacitance", 1e-9, "F", 0.0, 1.0, "Capacitor", doc="F; 0 is none."),
        _number("capacitor", 1e-9, "F", 0.0, 1.0, "Capacitor", low_open=True,
                doc="F, of one that is there."),
        _number("area", 1.0, "", 1e-6, 1e6, "Relative area", doc="Of a transistor."),
        _number("current_gain", 200.0, "", 0.01, None, "Current gain", infinite="inf",
                doc="Of a transistor."),
        _number("trim", 0.0, "V", -1.0, 1.0, "Trim", (-0.01, 0.01), 5e-5,
                doc="Offset added between the two base lines, V."),
        _number("balance", 0.0, "", -1.9, 1.9, "Load balance", (-0.1, 0.1), 5e-4,
                doc="The left load is multiplied by 1 + b/2, the right one by 1 - b/2."),
    )
}  # fmt: skip

#: How an ideal tail current goes with the temperature; its value is that at 25 degC.
TAIL_LAW = choice(
    "tail_law",
    "constant",
    {"constant": "constant", "absolute": "in proportion to absolute temperature"},
    "Tail with temperature",
    "What the tail current does as the temperature moves away from 25 degC.",
)


def spec(quantity: str, /, name: str | None = None, **changes: Any) -> Spec:
    """A quantity of `SPECS` for one place; `changes` as `Spec.at`."""
    return SPECS[quantity].at(name, **changes)
