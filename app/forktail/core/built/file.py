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
    current = "1 mA"                 # ideal
    resistor = "2.2 k"               # resistor
    emitter = "1 k"                  # transistor, with base_top and base_bottom

    [transistors]
    saturation_current = "10 fA"
    beta_forward = 200               # or "inf"
    beta_reverse = 4
    early = "80 V"                   # or "inf"
    area = [1, 1, 1, 1, 1, 1, 1]     # Q1 to Q7
    leakage = 1e-13                  # siemens

    [trim]
    upper = "0 V"
    lower = "0 V"
    balance = 0

    [faults]
    list = []                        # such as "open:r_load_left"

    [scene]                          # what a page saved about itself; not read here

Whatever is left out keeps its default. Every value may also be a plain number in SI units (a plain
temperature is in degrees Celsius).
"""

import difflib
import math
from dataclasses import fields

from forktail.core import files
from forktail.core.built.circuit import DRIVE_MODES, TAIL_KINDS, Circuit, unit_of
from forktail.core.checks import QuantityError
from forktail.core.quantities import parse_quantity, parse_temperature

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
        "resistor": "r_tail",
        "emitter": "r_tail_emitter",
        "base_top": "r_tail_base_top",
        "base_bottom": "r_tail_base_bottom",
    },
    "transistors": {
        "saturation_current": "i_s",
        "beta_forward": "beta_forward",
        "beta_reverse": "beta_reverse",
        "early": "v_early",
        "area": "area",
        "leakage": "g_leak",
    },
    "trim": {"upper": "trim_upper", "lower": "trim_lower", "balance": "trim_balance"},
    "faults": {"list": "faults"},
}
_CHOICES = {"upper_mode": DRIVE_MODES, "lower_mode": DRIVE_MODES, "tail_kind": TAIL_KINDS}
_INFINITE = {
    "r_termination_upper": "none",
    "r_termination_lower": "none",
    "v_early": "inf",
    "beta_forward": "inf",
    "beta_reverse": "inf",
}


def field_place(name):
    """Where a field of `Circuit` stands in a file: `("drive.upper", "source")`."""
    for section, keys in _SECTIONS.items():
        for key, f in keys.items():
            if f == name:
                return section, key
    raise QuantityError(f"{name!r} is not a value of a circuit.")


def _near(word, known):
    found = difflib.get_close_matches(word, known, 1, 0.5)
    return f"; did you mean '{found[0]}'?" if found else f"; known are {', '.join(known)}."


class _Reader:
    """Collects every complaint, each with its line."""

    def __init__(self, text):
        self.lines = text.splitlines()
        self.errors = []

    def line_of(self, section, key):
        """Line of a key in its section (0 if not found), read as a person would."""
        here = ""
        for number, line in enumerate(self.lines, 1):
            bare = line.split("#")[0].strip()
            if bare.startswith("["):
                here = bare.strip("[] ").replace(" ", "")
                if key is None and (here == section or here.startswith(section + ".")):
                    return number
            elif key is not None and "=" in bare:
                name = bare.split("=")[0].strip().strip("\"'").replace(" ", "")
                full = f"{here}.{name}" if here else name
                if full == (f"{section}.{key}" if section else key):
                    return number
        return 0

    def complain(self, section, key, text):
        line = self.line_of(section, key)
        where = f"line {line}, " if line else ""
        place = f"[{section}] " if section else ""
        self.errors.append(f"{where}{place}{key if key is not None else ''}".strip() + f": {text}")


def _value(name, raw):
    """Read one value for a field; raises QuantityError without a place."""
    if name in ("title", "note"):
        if not isinstance(raw, str):
            raise QuantityError(f"{raw!r} is not text; wanted is text in quotes.")
        return raw
    if name in _CHOICES:
        if raw not in _CHOICES[name]:
            wanted = " or ".join(f'"{c}"' for c in _CHOICES[name])
            raise QuantityError(f"{raw!r} is not one of them; wanted is {wanted}.")
        return raw
    if name == "faults":
        if not (isinstance(raw, list) and all(isinstance(f, str) for f in raw)):
            raise QuantityError(
                f'{raw!r} is not a list of texts; wanted is such as ["open:r_load_left"].'
            )
        return tuple(raw)
    if name == "area":
        good = (
            isinstance(raw, list)
            and len(raw) in (6, 7)
            and all(isinstance(a, (int, float)) and not isinstance(a, bool) for a in raw)
        )
        if not good:
            raise QuantityError(
                f"{raw!r} is not seven numbers; wanted is one for each of "
                "Q1 to Q7, such as [1, 1, 1, 1, 1, 1, 1]."
            )
        return tuple(float(a) for a in raw)
    if isinstance(raw, (bool, list, dict)) or not isinstance(raw, (str, int, float)):
        raise QuantityError(f"{raw!r} is not a value; wanted is a number, or text with a unit.")
    if name in _INFINITE:
        if isinstance(raw, float) and raw == math.inf:
            return math.inf
        if isinstance(raw, str) and raw.strip().lower() in ("inf", "infinite", "none"):
            return math.inf
    if name == "temperature":
        return parse_temperature(raw, "value")
    unit = unit_of(name)
    if unit == "S":
        try:
            return float(raw)
        except ValueError:
            raise QuantityError(
                f"'{raw}' is not a plain number; wanted is siemens without a unit, such as 1e-13."
            ) from None
    return parse_quantity(raw, unit, "value")


def _clean(error):
    text = str(error)
    return text.removeprefix("value: ")


def read_file(text):
    """Read a circuit file.

    Parameters
    ----------
    text : str
        TOML as described at the top of this module.

    Returns
    -------
    circuit : circuit.Circuit
    scene : dict
        The `[scene]` table as it stands, {} if there is none.

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
        reader.complain("", "scene", "wanted is a table, [scene].")
        scene = {}
    version = data.pop("forktail", FORMAT)
    if version != FORMAT:
        reader.complain(
            "", "forktail", f"format {version!r} is not known here; wanted is {FORMAT}."
        )
    for section, table in _tables(data, reader):
        keys = _SECTIONS[section]
        for key, raw in table.items():
            if key not in keys:
                known = list(keys) if section else [*keys, *_top_sections()]
                reader.complain(section, key, "is not a key of this section" + _near(key, known))
                continue
            name = keys[key]
            try:
                value = _value(name, raw)
                if name != "faults":
                    Circuit(**{name: value})  # range, by itself
                values[name] = value
            except QuantityError as error:
                reader.complain(section, key, _clean(error))
    if not reader.errors:
        try:
            return Circuit(**values), scene
        except QuantityError as error:
            reader.complain("faults", "list", _clean(error))
    count = len(reader.errors)
    head = "" if count == 1 else f"{count} faults in the circuit file:\n"
    raise QuantityError(head + "\n".join(reader.errors))


def _top_sections():
    return list(dict.fromkeys(s.split(".")[0] for s in _SECTIONS if s))


def _tables(data, reader):
    """Yield (section, table), complaining of sections that do not exist."""
    top = {k: v for k, v in data.items() if not isinstance(v, dict)}
    for key in list(top):
        if key in _top_sections():
            reader.complain("", key, f"is a section; write [{key}] on a line of its own.")
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
                        f"drive.{side}", None, "is not a section" + _near(side, ["upper", "lower"])
                    )
                else:
                    reader.complain(
                        "drive", side, "wanted are the sections [drive.upper] and [drive.lower]."
                    )
        elif name in _SECTIONS:
            yield name, table
        else:
            reader.complain(name, None, "is not a section" + _near(name, _top_sections()))


def holds_circuit(table):
    """Whether a table (as `files.read` gives it) holds more than a page's scene."""
    return bool(set(table) - {"scene", "forktail"})


def read_circuit(text):
    """Read a circuit file and return the `circuit.Circuit` alone; errors as `read_file`."""
    return read_file(text)[0]


_PREFIXES = (
    (1e6, "M"),
    (1e3, "k"),
    (1.0, ""),
    (1e-3, "m"),
    (1e-6, "u"),
    (1e-9, "n"),
    (1e-12, "p"),
    (1e-15, "f"),
)


def _written(name, value):
    """Shortest text that reads back to exactly this value."""
    if name in ("title", "note") or name in _CHOICES:
        return _quoted(value)
    if name == "faults":
        return "[" + ", ".join(_quoted(f) for f in value) + "]"
    if name == "area":
        return "[" + ", ".join(repr(a).removesuffix(".0") for a in value) + "]"
    if math.isinf(value):
        return _quoted(_INFINITE[name])
    if name == "temperature":
        celsius = round(value - 273.15, 6)
        text = f"{celsius:g} degC"
        return _quoted(text if parse_temperature(text) == value else f"{value!r} K")
    unit = unit_of(name)
    if unit in ("", "S"):
        return f"{value:g}" if float(f"{value:g}") == value else repr(value)
    if value == 0.0:
        return _quoted(f"0 {unit}")
    for factor, prefix in _PREFIXES:
        if abs(value) >= factor * 0.9999999:
            for digits in range(1, 16):
                text = f"{value / factor:.{digits}g}"
                if "e" not in text:
                    text = f"{text} {prefix}{unit}"
                    if parse_quantity(text, unit) == value:
                        return _quoted(text)
            break
    return _quoted(f"{value!r} {unit}")


def _quoted(text):
    out = text.replace("\\", "\\\\").replace('"', '\\"')
    out = "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in out)
    return f'"{out}"'


def write_circuit(circuit, scene=None):
    """Write a circuit so that `read_circuit` gives back exactly the same.

    Parameters
    ----------
    circuit : circuit.Circuit
    scene : dict, optional
        Page state of strings, numbers, booleans and flat lists of them, kept in `[scene]`.

    Returns
    -------
    str

    Raises
    ------
    QuantityError
        If the scene holds something that TOML cannot.
    """
    lines = [f"forktail = {FORMAT}"]
    known = {f.name for f in fields(Circuit)}
    for section, keys in _SECTIONS.items():
        if section == "faults" and not circuit.faults:
            continue
        if section:
            lines += ["", f"[{section}]"]
        for key, name in keys.items():
            assert name in known
            lines.append(f"{key} = {_written(name, getattr(circuit, name))}")
    if scene:
        lines += ["", "[scene]"]
        lines += [f"{_key(k)} = {_plain(k, v)}" for k, v in scene.items()]
    return "\n".join(lines) + "\n"


def _key(key):
    bare = key.replace("_", "").replace("-", "")
    return key if bare.isascii() and bare.isalnum() else _quoted(key)


def _plain(key, value):
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(value)  # inf and nan are TOML as well
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_plain(key, v) for v in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(k)} = {_plain(k, v)}" for k, v in value.items()) + "}"
    raise QuantityError(
        f"scene.{key} is {value!r}, which a file cannot hold; "
        "allowed are texts, numbers, true or false, and lists of them."
    )
