"""Circuit files: TOML with units in strings.

    forktail = 1                     # version of this format
    title = "Bat-call mixer"
    note = "Values invented for our workshop."

    [supply]
    voltage = "12 V"
    temperature = "25 degC"

    [string]                         # supply to ground
    top = "6.8 k"
    middle = "2.7 k"
    bottom = "3.3 k"
    bypass_upper = "10 uF"
    bypass_lower = "10 uF"

    [bias]                           # tap to base line
    upper_pos = "2.2 k"              # and upper_neg, lower_pos, lower_neg

    [drive.upper]                    # and [drive.lower]
    mode = "single"                  # or "balanced"
    source = "50 ohm"
    termination = "51 ohm"           # or "none"
    coupling = "100 nF"
    ground = "1 uF"

    [emitters]
    upper = "0 ohm"
    lower = "0 ohm"

    [loads]
    left = "2.2 k"
    right = "2.2 k"
    capacitance = "22 pF"

    [tail]
    kind = "transistor"              # or "ideal" or "resistor"
    current = "1 mA"                 # ideal, at 25 degC
    law = "constant"                 # ideal; or "absolute", in proportion to the temperature
    resistor = "2.2 k"               # resistor
    emitter = "1 k"                  # transistor, with base_top, base_bottom and bypass

    [transistors]
    saturation_current = "10 fA"
    beta_forward = 200               # or "inf"
    beta_reverse = 4
    early = "80 V"                   # or "inf"
    area = [1, 1, 1, 1, 1, 1, 1]     # Q1 to Q7
    leakage = "100 fS"
    thermal = "250 K/W"              # junction to air, of each

    [trim]
    upper = "0 V"
    lower = "0 V"
    balance = 0

    [faults]
    list = []                        # such as "open:r_load_left"

    [scene]                          # what a page saved about itself; not read here

Whatever is left out keeps its default; `read_file` says what was taken. Every value may also be a
plain number in SI units (a plain temperature is in degrees Celsius).
"""

import difflib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from forktail.core import files
from forktail.core.built.circuit import AREA, Circuit, unused
from forktail.core.checks import QuantityError
from forktail.core.spec import specs_of

FORMAT = 1

# section -> key -> field of Circuit
_SECTIONS = {
    "": {"title": "title", "note": "note"},
    "supply": {"voltage": "v_supply", "temperature": "temperature"},
    "string": {
        "top": "r_string_top",
        "middle": "r_string_middle",
        "bottom": "r_string_bottom",
        "bypass_upper": "c_bypass_upper",
        "bypass_lower": "c_bypass_lower",
    },
    "bias": {k: f"r_bias_{k}" for k in ("upper_pos", "upper_neg", "lower_pos", "lower_neg")},
    **{
        f"drive.{s}": {
            "mode": f"{s}_mode",
            "source": f"r_source_{s}",
            "termination": f"r_termination_{s}",
            "coupling": f"c_coupling_{s}",
            "ground": f"c_ground_{s}",
        }
        for s in ("upper", "lower")
    },
    "emitters": {"upper": "r_emitter_upper", "lower": "r_emitter_lower"},
    "loads": {"left": "r_load_left", "right": "r_load_right", "capacitance": "c_load"},
    "tail": {
        "kind": "tail_kind",
        "current": "i_tail",
        "law": "tail_law",
        "resistor": "r_tail",
        "emitter": "r_tail_emitter",
        "base_top": "r_tail_base_top",
        "base_bottom": "r_tail_base_bottom",
        "bypass": "c_bypass_tail",
    },
    "transistors": {
        "saturation_current": "i_s",
        "beta_forward": "beta_forward",
        "beta_reverse": "beta_reverse",
        "early": "v_early",
        "area": "area",
        "leakage": "g_leak",
        "thermal": "thermal_resistance",
    },
    "trim": {"upper": "trim_upper", "lower": "trim_lower", "balance": "trim_balance"},
    "faults": {"list": "faults"},
}
_SPECS = specs_of(Circuit)
#: Left out without a word: nothing is missed where they are at their defaults.
_QUIET = {"title", "note", "area", "g_leak", "faults", "trim_upper", "trim_lower", "trim_balance"}
_QUIET |= {"r_emitter_upper", "r_emitter_lower", "tail_law", "thermal_resistance"}


class CircuitFile(NamedTuple):
    """What a circuit file holds.

    `scene` is its `[scene]` table as it stands, {} if there is none; `notes`, one sentence for
    each thing that was taken for granted: keys that are not used, values that are not there.
    """

    circuit: Circuit
    scene: dict[str, Any]
    notes: tuple[str, ...]


def field_place(name: str) -> tuple[str, str]:
    """Where a file holds a field of `Circuit`: `("drive.upper", "source")`."""
    for section, keys in _SECTIONS.items():
        for key, f in keys.items():
            if f == name:
                return section, key
    raise QuantityError(f"{name!r} is not a value of a circuit.")


def _near(word: str, known: Iterable[str]) -> str:
    found = difflib.get_close_matches(word, known, 1, 0.5)
    return f"; did you mean '{found[0]}'?" if found else f"; it must be one of {', '.join(known)}."


def _listed(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


class _Reader:
    """Collects every complaint, each with its line."""

    def __init__(self, text: str) -> None:
        self.lines = files.Lines(text)
        self.errors: list[str] = []

    def place(self, section: str, *keys: str) -> str:
        """`line 12, [loads] left` of a key, or of a section."""
        line = self.lines.of(*section.split("."), *keys[:1]) if section else self.lines.of(*keys)
        words = [f"[{section}]"] if section else []
        return f"line {line}, " + " ".join([*words, *([_listed(keys)] if keys else [])])

    def complain(self, text: str, section: str, *keys: str) -> None:
        self.errors.append(f"{self.place(section, *keys)}: {text}")


def _value(name: str, raw: Any, where: str) -> Any:
    """Read one value for a field."""
    if name == "faults":
        if not (isinstance(raw, list) and all(isinstance(f, str) for f in raw)):
            raise QuantityError(
                f'{where}: {raw!r} is not a list of texts; write such as ["open:r_load_left"].'
            )
        return tuple(raw)
    if name == "area":
        if not (isinstance(raw, list) and len(raw) in (6, 7)):
            raise QuantityError(
                f"{where}: {raw!r} is not seven numbers; give one for each of "
                "Q1 to Q7, such as [1, 1, 1, 1, 1, 1, 1]."
            )
        return tuple(AREA.read(a, f"{where} of Q{k}") for k, a in enumerate(raw, 1))
    if _SPECS[name].kind == "text":
        return _SPECS[name].check(raw, where)
    return _SPECS[name].read(raw, where)


def read_file(text: str) -> CircuitFile:
    """Read a circuit file.

    Parameters
    ----------
    text : str
        TOML as described at the top of this module.

    Returns
    -------
    CircuitFile

    Raises
    ------
    QuantityError
        One message that lists every fault found, each with line, section, key, value and what
        would be right.
    """
    data = files.read(text)
    reader, values = _Reader(text), {}
    scene = data.pop("scene", {})
    if not isinstance(scene, dict):
        reader.complain("write a table, [scene].", "", "scene")
        scene = {}
    version = data.pop("forktail", FORMAT)
    if version != FORMAT:
        reader.complain(
            f"format {version!r} is not known here; it must be {FORMAT}.", "", "forktail"
        )
    for section, table in _tables(data, reader):
        keys = _SECTIONS[section]
        for key, raw in table.items():
            if key not in keys:
                known = list(keys) if section else [*keys, *_top_sections()]
                reader.complain("is not a key of this section" + _near(key, known), section, key)
                continue
            try:
                values[keys[key]] = _value(keys[key], raw, reader.place(section, key))
            except QuantityError as error:
                reader.errors.append(str(error))
    if not reader.errors:
        try:
            circuit = Circuit(**values)
            return CircuitFile(circuit, scene, tuple(_notes(circuit, values, reader)))
        except QuantityError as error:  # only which faults there can be hangs on other values
            reader.complain(str(error), "faults", "list")
    count = len(reader.errors)
    head = "" if count == 1 else f"{count} faults in the circuit file:\n"
    raise QuantityError(head + "\n".join(reader.errors))


#: Missing sections from which they are named together, without their values.
_MANY = 3


def _notes(circuit: Circuit, values: Mapping[str, Any], reader: _Reader) -> list[str]:
    """Sentences on keys that are not used, and on values that are not there."""
    idle, gone, said = unused(circuit), [], []
    for section, keys in _SECTIONS.items():
        for decides in ("tail_kind", "upper_mode", "lower_mode"):
            named = [k for k, n in keys.items() if n in values and idle.get(n) == decides]
            if named:
                key, kind = field_place(decides)[1], getattr(circuit, decides)
                are = "is" if len(named) == 1 else "are"
                said.append(
                    f'{reader.place(section, *named)} {are} not used with {key} = "{kind}".'
                )
        missing = {k: n for k, n in keys.items() if not (n in values or n in idle or n in _QUIET)}
        if missing and not any(n in values for n in keys.values()):
            gone.append((f"[{section}]", _taken(circuit, missing)))
        elif missing:
            are = "is" if len(missing) == 1 else "are"
            said.append(
                f"[{section}] {_listed([*missing])} {are} not in the file; "
                f"{_taken(circuit, missing, len(missing) > 1)}."
            )
    if len(gone) >= _MANY:
        names = _listed([name for name, _ in gone])
        return [f"{names} are not in the file; what a new circuit has there is used.", *said]
    return [*(f"{name} is not in the file; {taken}." for name, taken in gone), *said]


def _taken(circuit: Circuit, missing: Mapping[str, str], named: bool = True) -> str:
    texts = [
        (f"{key} = " if named else "") + _SPECS[name].write(getattr(circuit, name), " ")
        for key, name in missing.items()
    ]
    return f"{_listed(texts)} {'is' if len(texts) == 1 else 'are'} used"


def _top_sections() -> list[str]:
    return list(dict.fromkeys(s.split(".")[0] for s in _SECTIONS if s))


def _tables(data: dict[str, Any], reader: _Reader) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield (section, table), complaining of sections that do not exist."""
    top = {k: v for k, v in data.items() if not isinstance(v, dict)}
    for key in list(top):
        if key in _top_sections():
            reader.complain(f"is a section; write [{key}] on a separate line.", "", key)
            del top[key]
    yield "", top
    for name, table in data.items():
        if not isinstance(table, dict):
            continue
        if name == "drive":
            for side, inner in table.items():
                if f"drive.{side}" in _SECTIONS and isinstance(inner, dict):
                    yield f"drive.{side}", inner
                elif isinstance(inner, dict):
                    reader.complain(
                        "is not a section" + _near(side, ["upper", "lower"]), f"drive.{side}"
                    )
                else:
                    reader.complain(
                        "write the sections [drive.upper] and [drive.lower].", "drive", side
                    )
        elif name in _SECTIONS:
            yield name, table
        else:
            reader.complain("is not a section" + _near(name, _top_sections()), name)


def holds_circuit(table: Mapping[str, Any]) -> bool:
    """Whether a table (as `files.read` gives it) holds more than a page's scene."""
    return bool(set(table) - {"scene", "forktail"})


def read_circuit(text: str) -> Circuit:
    """Read a circuit file and return the `circuit.Circuit` alone; errors as `read_file`."""
    return read_file(text).circuit


def write_circuit(circuit: Circuit, scene: dict[str, Any] | None = None) -> str:
    """Write a circuit so that `read_circuit` gives back exactly the same.

    Parameters
    ----------
    circuit : circuit.Circuit
    scene : dict, optional
        Page state of strings, numbers, booleans and flat lists of them, kept in `[scene]`.

    Returns
    -------
    str
        What this circuit has no use for is left out, unless it is off its default.

    Raises
    ------
    QuantityError
        If the scene holds something that TOML cannot.
    """
    idle, plain = unused(circuit), Circuit()
    sections = {"": {"forktail": FORMAT}}
    for section, keys in _SECTIONS.items():
        table = sections.setdefault(section, {})
        for key, name in keys.items():
            value = getattr(circuit, name)
            if name in idle and value == getattr(plain, name):
                continue
            table[key] = _written(name, value)
    if not circuit.faults:
        del sections["faults"]
    if scene:
        sections["scene"] = scene
    return files.write(sections)


def _written(name: str, value: Any) -> Any:
    """A value as a file has it: a plain number where there is no unit, else text with its unit."""
    spec = _SPECS.get(name)
    if spec is None or spec.kind != "number":
        return value
    if spec.unit == "" and value != float("inf"):
        return value
    return spec.write(value, " ")
