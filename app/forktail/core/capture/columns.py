"""The meaning of the columns of a capture, and its time axis."""

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from forktail.core.capture.headings import ROLES
from forktail.core.capture.table import CaptureTable
from forktail.core.checks import Floats, QuantityError
from forktail.core.notebook import brief, counted, span, table
from forktail.core.quantities import format_quantity

#: Rows that a capture is thinned to.
MOST_ROWS = 2**17
#: Samples a cycle of the fastest channel that stay when rows are averaged, and when some are kept.
_SMOOTH, _COARSE = 128, 24
#: Frequencies between which the fastest channel of a drive may lie, Hz.
_SLOWEST, _FASTEST = 2.0, 30e6
#: Edge of a wave from which on it counts as noise, cycles a sample.
_NOISY = 0.3
#: Of a capture with gaps its longest stretch is taken where it holds this share of the rows.
_STRETCH = 0.4


@dataclass(frozen=True, repr=False)
class Capture:
    """One capture on one time axis, SI units, each array of shape (n,); None where not given.

    `v_out` is v_right - v_left where both collectors were captured. With `single_ended` it
    stands for one collector, doubled, its mean taken off, so its offset is not known.
    `time` is strictly rising, s; `uniform` says whether its steps are equal.
    """

    time: Floats
    v_out: Floats
    v_upper: Floats | None = None
    v_lower: Floats | None = None
    v_left: Floats | None = None
    v_right: Floats | None = None
    sample_interval: float = float("nan")
    uniform: bool = True
    single_ended: bool = False
    name: str = "capture"
    notes: tuple[str, ...] = field(default=())

    def __repr__(self) -> str:
        return brief(self, self.name, self._count, *self.channels())

    @property
    def _count(self) -> str:
        length = format_quantity(self.time[-1] - self.time[0], "s") if self.time.size else "nothing"
        return f"{counted(self.time.size, 'sample')} over {length}"

    def _repr_html_(self) -> str:
        """A table for a notebook: every channel with its span."""
        rows = [(name, span(volts, "V")) for name, volts in self.channels().items()]
        return table(f"{self.name}, {self._count}", rows, ("channel", "from, to"), self.notes)

    def channels(self) -> dict[str, Floats]:
        """Name -> array of every channel that there is."""
        names = ("v_out", "v_upper", "v_lower", "v_left", "v_right")
        return {n: getattr(self, n) for n in names if getattr(self, n) is not None}


def _position(table: CaptureTable, role: str, wanted: int | str) -> int:
    width = table.data.shape[1]
    if isinstance(wanted, str):
        matches = [k for k, n in enumerate(table.names) if n == wanted]
        if len(matches) != 1:
            raise QuantityError(
                f"{table.name}: {role} is column '{wanted}', which "
                f"{'is not there' if not matches else 'is there more than once'}; it must be "
                f"one of {', '.join(n or str(k + 1) for k, n in enumerate(table.names))}."
            )
        return matches[0]
    if isinstance(wanted, bool) or int(wanted) != wanted or not 0 <= wanted < width:
        raise QuantityError(
            f"{table.name}: {role} is column position {wanted!r}; it must be 0 to {width - 1}."
        )
    return int(wanted)


def map_columns(
    table: CaptureTable,
    roles: Mapping[str, int | str | None] | None = None,
    factors: Mapping[str, float] | None = None,
    sample_interval: float | None = None,
) -> Capture:
    """Give the columns their meaning and check the time axis.

    Parameters
    ----------
    table : CaptureTable
    roles : dict, optional
        Key of `ROLES` -> column position from 0, or its name. It replaces the guess as a whole;
        None as a value leaves a role out.
    factors : dict, optional
        Role -> factor that the column is multiplied by, such as 10 for a probe that divides by
        ten, or -1.
    sample_interval : float, optional
        s between rows; it replaces a time column.

    Returns
    -------
    Capture

    Raises
    ------
    QuantityError
        For a column that is not there, used twice or of another unit, a time that does not
        rise (with its row), or no output at all.
    """
    chosen = {r: _position(table, r, c) for r, c in (roles or table.roles).items() if c is not None}
    for role in chosen:
        if role not in ROLES and role != "index":
            raise QuantityError(
                f"{table.name}: role {role!r}; it must be one of {', '.join(ROLES)}."
            )
    used = Counter(chosen.values())
    twice = next((c for c, n in used.items() if n > 1), None)
    if twice is not None:
        both = " and ".join(r for r, c in chosen.items() if c == twice)
        raise QuantityError(
            f"{table.name}: {table.column_label(twice)} is used for {both}; "
            "each needs a separate column."
        )
    notes = [*table.notes, *(table.guesses if chosen == table.roles else ())]
    channels = {}
    for role, column in chosen.items():
        if role in ("time", "index"):
            continue
        unit = table.units[column]
        if unit not in ("V", ""):
            raise QuantityError(
                f"{table.name}: {table.column_label(column)} is in {unit}; "
                f"{role} needs a voltage in V."
            )
        factor = float((factors or {}).get(role, 1.0))
        if not (math.isfinite(factor) and factor != 0.0):
            raise QuantityError(
                f"{table.name}: the factor of {role} is {factor:g}; it must be "
                "any finite number but 0."
            )
        channels[role] = table.data[:, column] * factor
    time, uniform, counted = _time_axis(table, chosen, sample_interval, notes)
    if not uniform:
        keep, uniform = _longest_stretch(table, time, notes)
        time, channels = time[keep], {r: v[keep] for r, v in channels.items()}
    v_out, single = _output(channels, notes, table.name)
    bare = [r for r in ROLES if r in chosen and not table.units[chosen[r]]]
    if counted and "time" in bare:
        bare.remove("time")
    if bare:
        notes.append(f"No unit is given for {', '.join(bare)}: s and V were assumed.")
    capture = Capture(
        time=time,
        v_out=v_out,
        v_upper=channels.get("v_upper"),
        v_lower=channels.get("v_lower"),
        v_left=channels.get("v_left"),
        v_right=channels.get("v_right"),
        sample_interval=float((time[-1] - time[0]) / (len(time) - 1)),
        uniform=uniform,
        single_ended=single,
        name=table.name,
        notes=tuple(notes),
    )
    return thinned(_with_a_word_on_time(capture))


def _output(channels: Mapping[str, Floats], notes: list[str], name: str) -> tuple[Floats, bool]:
    left, right = channels.get("v_left"), channels.get("v_right")
    if left is not None and right is not None:
        if "v_out" in channels:
            notes.append(
                "Both collectors and the output were given: the output is the right "
                "collector less the left one."
            )
        return right - left, False
    if "v_out" in channels:
        return channels["v_out"], False
    if right is not None:
        one = right
    elif left is not None:
        one = -left
    else:
        raise QuantityError(
            f"{name}: no column is the output; give v_out, or v_left and "
            "v_right, or one of these two."
        )
    notes.append(
        "Only one collector was given, so twice its swing was used as the output; "
        "the output offset is not known."
    )
    return 2.0 * (one - one.mean()), True


def _time_axis(
    table: CaptureTable, chosen: Mapping[str, int], sample_interval: float | None, notes: list[str]
) -> tuple[Floats, bool, bool]:
    """Time of each row, s, whether its steps are equal, and whether it was counted."""
    n = len(table.data)
    interval = table.sample_interval if sample_interval is None else float(sample_interval)
    if sample_interval is not None and not (math.isfinite(interval) and interval > 0):
        raise QuantityError(
            f"{table.name}: sample_interval is {interval:g} s; it must be above 0 s."
        )
    column = chosen.get("time", chosen.get("index"))
    if column is not None and sample_interval is None:
        unit = table.units[column]
        if unit not in ("s", ""):
            raise QuantityError(
                f"{table.name}: {table.column_label(column)} is in {unit}; time needs s."
            )
        counts = "time" not in chosen or (
            unit == "" and math.isfinite(interval) and _counts(table.data[:, column])
        )
        if not counts:
            return *_checked_time(table, column, notes), False
    if not math.isfinite(interval):
        where = "" if column is None else f" ({table.column_label(column)} only counts)"
        raise QuantityError(
            f"{table.name}: no time column and no sample interval{where}; "
            "give a time in s, or the interval between rows."
        )
    counted = np.arange(n) if table.sample_numbers is None else table.sample_numbers
    place: Floats = counted.astype(float)
    if column is not None and (sample_interval is None or _counts(table.data[:, column])):
        place = table.data[:, column]
        _rising(table, column, place)
    notes.append(f"The time step was set to {format_quantity(interval, 's', 4)}.")
    start = table.start if math.isfinite(table.start) else 0.0
    return start + place * interval, bool(np.all(np.diff(place) == 1.0)), True


def _counts(values: Floats) -> bool:
    """Whether a column counts up in whole steps, mostly of one."""
    step = np.diff(values)
    return bool(np.all((step >= 1.0) & (step % 1.0 == 0.0)) and np.median(step) == 1.0)


def _rising(table: CaptureTable, column: int, time: Floats) -> None:
    step = np.diff(time)
    if np.all(step > 0):
        return
    k = int(np.argmax(step <= 0)) + 1
    said = "repeats" if step[k - 1] == 0 else "is before"
    raise QuantityError(
        f"{table.name}: row {table.file_row(k)}, {table.column_label(column)}: {time[k]:.10g} "
        f"{said} {time[k - 1]:.10g} of the row above; time must rise from row to row."
    )


def _checked_time(table: CaptureTable, column: int, notes: list[str]) -> tuple[Floats, bool]:
    time = table.data[:, column]
    step = np.diff(time)
    if np.sum(step == 0) >= 3 and np.all(step >= 0) and time[-1] > time[0]:
        # too few digits: repeats are spread evenly, so each stamp is within its last digit
        place = np.arange(len(time), dtype=float)
        slope, start = np.polyfit(place, time, 1)
        line = start + slope * place
        if np.max(np.abs(time - line)) <= 0.75 * np.min(step[step > 0]):
            notes.append(
                "The time column is written with too few digits, so some rows repeat; "
                f"equal steps of {format_quantity(slope, 's', 4)} were used."
            )
            return line, True
    _rising(table, column, time)
    interval = (time[-1] - time[0]) / (len(time) - 1)
    return time, bool(np.max(np.abs(step - interval)) <= 0.02 * interval)


def _longest_stretch(table: CaptureTable, time: Floats, notes: list[str]) -> tuple[slice, bool]:
    """Rows to keep of a time with unequal steps, and whether their steps are equal."""
    everything = slice(None)
    step = np.diff(time)
    usual = float(np.median(step))
    jump = step > 1.5 * usual
    jumps = int(np.count_nonzero(jump))
    plain = step[~jump]
    off = np.max(np.abs(plain - usual), initial=0.0)
    if off > 0.02 * usual or not 0 < jumps <= 0.1 * len(step):
        notes.append(
            "The time steps are not equal: they run from "
            f"{format_quantity(step.min(), 's')} to {format_quantity(step.max(), 's')}."
        )
        return everything, False
    edges = [0, *(np.flatnonzero(jump) + 1), len(time)]
    begin, end = max(zip(edges, edges[1:]), key=lambda pair: pair[1] - pair[0])
    lost = int(np.sum(np.round(step[jump] / usual)) - jumps)
    said = (
        f"{lost or 'Less than one'} sample{'s are' if lost > 1 else ' is'} missing in "
        f"{jumps} gap{'s' * (jumps > 1)}, the first after row {table.file_row(edges[1] - 1)}"
    )
    if end - begin < max(_STRETCH * len(time), 16):
        notes.append(f"{said}; the steps of time are not equal there.")
        return everything, False
    notes.append(
        f"{said}; the longest stretch without a gap was used, rows {table.file_row(begin)} to "
        f"{table.file_row(end - 1)}."
    )
    return slice(begin, end), True


# ---------------------------------------------------------------- how fast, how many


def _speeds(wave: Floats) -> tuple[float, float] | None:
    """Strongest line of a wave and the edge that 90 % of it lies below, cycles a sample.

    None for a wave that does not move, and for noise: the edge of noise lies near half the
    sample rate, that of a wave drawn by a scope far below.
    """
    n, most = len(wave), np.abs(wave).max()
    wave = wave / most if most > 0.0 else wave
    lines = np.abs(np.fft.rfft((wave - wave.mean()) * np.hanning(n))) ** 2
    total = lines.sum()
    if not total > 1e-18:
        return None
    edge = np.searchsorted(np.cumsum(lines), 0.9 * total) / n
    return (np.argmax(lines) / n, edge) if edge < _NOISY else None


def _with_a_word_on_time(capture: Capture) -> Capture:
    """Say so where the time base makes the drives absurdly slow or fast."""
    channels = capture.channels()
    inputs = {n: v for n, v in channels.items() if n in ("v_upper", "v_lower")}
    speeds = [s for s in map(_speeds, (inputs or channels).values()) if s]
    hertz = max((line for line, _ in speeds), default=0.0) / capture.sample_interval
    if not speeds or _SLOWEST <= hertz <= _FASTEST:
        return capture
    note = (
        f"With {format_quantity(capture.sample_interval, 's')} from row to row the fastest channel "
        f"would run at {format_quantity(hertz, 'Hz')}: check the unit of time, or give the "
        "interval between rows."
    )
    return replace(capture, notes=(*capture.notes, note))


def thinned(capture: Capture, most: int = MOST_ROWS) -> Capture:
    """The capture with no more than `most` rows.

    Neighbouring rows are averaged, which takes noise and the steps of the converter down, as long
    as many are left for a cycle of the fastest channel; where fewer are left, every n-th row is
    kept; and of what is still too long, the middle.

    Parameters
    ----------
    capture : Capture
    most : int

    Returns
    -------
    Capture
        With a note that says what was done.
    """
    n = len(capture.time)
    if n <= most:
        return capture
    edges = [edge for _, edge in filter(None, map(_speeds, capture.channels().values()))]
    cycle = 1.0 / max([*edges, 1.0 / n])  # samples
    every = min(-(-n // most), max(1, int(cycle / _COARSE)))
    averaged = capture.uniform and cycle / every >= _SMOOTH
    rows = n // every
    middle = slice((rows - most) // 2, (rows - most) // 2 + most) if rows > most else slice(None)

    def thin(values: Floats) -> Floats:
        whole = values[: rows * every].reshape(rows, every)
        return (whole.mean(axis=1) if averaged else whole[:, 0])[middle]

    said = []
    if every > 1:
        how = f"each {every} were averaged into one" if averaged else f"one in {every} was used"
        said.append(f"Of {n} rows, {how}.")
    if rows > most:
        said.append(f"Of {rows} rows, the {most} in the middle were used.")
    channels: dict[str, Any] = {name: thin(v) for name, v in capture.channels().items()}
    return replace(
        capture,
        time=thin(capture.time),
        **channels,
        sample_interval=capture.sample_interval * every,
        notes=(*capture.notes, *said),
    )
