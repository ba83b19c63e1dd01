"""A circuit as text: one value of it typed or shown, the part of a link that is about it, its file.

Build and Compare both work on one circuit that started from a shipped one. A link carries the key
of that one (`circuit=volume-cell`) and each value that is off it; a file carries every value, and
the settings of the page in its `[scene]` table.
"""

from dataclasses import dataclass, fields, replace
from urllib.parse import quote, urlencode

from forktail.circuits import shipped
from forktail.core import files
from forktail.core.built.circuit import AREA, Circuit, single_faults
from forktail.core.built.file import holds_circuit, read_file, write_circuit
from forktail.core.checks import QuantityError
from forktail.core.spec import specs_of
from forktail.ui.state import scene_of
from forktail.ui.text import tidy

#: Specs of the circuit's values by field; `area` and `faults` are lists, written with semicolons.
SPECS = specs_of(Circuit)
FIELDS = tuple(f.name for f in fields(Circuit))
#: Longest text that is taken for one value.
MAX_TEXT = 2000

# ---------------------------------------------------------------- one value


def area_of(name):
    """Which transistor `area1` to `area7` is about, 0 for any other name."""
    number = name[4:] if name.startswith("area") else ""
    return int(number) if number in ("1", "2", "3", "4", "5", "6", "7") else 0


def label_of(name):
    """What a value of a circuit is called: that of its spec, or `Area of Q3`."""
    if name in SPECS:
        return SPECS[name].title
    return f"Area of Q{area_of(name)}" if area_of(name) else name.capitalize()


def with_value(circuit, name, text):
    """Read an entry for one value of a circuit.

    Parameters
    ----------
    circuit : Circuit
    name : str
        A field of `Circuit`, or `area1` to `area7` for one relative area.
    text : str

    Returns
    -------
    Circuit
        With that value; without faults of parts that go with a changed choice.

    Raises
    ------
    QuantityError
        One sentence that names the entry, what was typed and what is allowed.
    """
    text, label = str(text)[:MAX_TEXT], label_of(name)
    if k := area_of(name):
        area = list(circuit.area)
        area[k - 1] = AREA.read(text, label)
        return replace(circuit, area=tuple(area))
    if name == "area":
        return replace(circuit, area=tuple(AREA.read(t, label) for t in text.split(";")))
    if name == "faults":
        try:
            return replace(circuit, faults=tuple(f for f in text.strip().split(";") if f))
        except QuantityError as error:
            raise QuantityError(f"{label}: {error}") from None
    if name not in SPECS:
        raise QuantityError(f"'{name[:40]}' is not a value of a circuit.")
    bare = replace(circuit, faults=(), **{name: SPECS[name].read(text)})
    if not circuit.faults:
        return bare
    known = {f.key for f in single_faults(bare)}
    return replace(bare, faults=tuple(f for f in circuit.faults if f in known))


def written(circuit, name):
    """Shortest text that `with_value` reads back to the same value."""
    value = getattr(circuit, name)
    if name == "area":
        return ";".join(AREA.write(a) for a in value)
    return ";".join(value) if name == "faults" else SPECS[name].write(value)


def shown(name, value, digits=5):
    """Text of a number of a circuit for the screen: `2.2 kΩ`."""
    return tidy((AREA if area_of(name) else SPECS[name]).show(value, digits))


# ---------------------------------------------------------------- which shipped one


def first_shipped():
    """Key of the circuit that the page opens with: the mixer where there is one."""
    keys = list(shipped())
    return next((k for k in keys if "mixer" in k), keys[0])


def off(circuit, key):
    """Fields in which a circuit differs from a shipped one, in their order."""
    base = shipped()[key][0]
    return [n for n in FIELDS if getattr(circuit, n) != getattr(base, n)]


def nearest_shipped(circuit):
    """Key of the shipped circuit that differs in the fewest values."""
    return min(shipped(), key=lambda key: len(off(circuit, key)))


# ---------------------------------------------------------------- links


def link_texts(circuit, key):
    """Part of a link about a circuit that started from a shipped one: name -> text.

    A note is no part of a link: a link has its length.
    """
    out = {} if key == first_shipped() else {"circuit": key}
    return out | {n: written(circuit, n) for n in off(circuit, key) if n != "note"}


def query_of(circuit, key):
    """Query string of a link to a circuit, every other setting at its default."""
    return urlencode(link_texts(circuit, key), quote_via=quote)


def take_link(texts):
    """Take the part about the circuit out of the texts of a link.

    Parameters
    ----------
    texts : dict
        What is about the circuit is removed.

    Returns
    -------
    circuit : Circuit
    key : str
        Of the shipped one it starts from.
    problems : list of str
        One sentence for each part that was not understood.
    """
    problems, key = [], texts.pop("circuit", first_shipped())
    if key not in shipped():
        problems.append(
            f"circuit: '{str(key)[:40]}' is not shipped; it must be one of {', '.join(shipped())}."
        )
        key = first_shipped()
    circuit = shipped()[key][0]
    own = {n: texts.pop(n) for n in list(texts) if n in FIELDS}
    # choices first: they decide which faults can be there; faults last
    choices = ("upper_mode", "lower_mode", "tail_kind")
    for name in sorted(own, key=lambda n: (n not in choices, n == "faults")):
        try:
            circuit = with_value(circuit, name, own[name])
        except QuantityError as error:
            problems.append(str(error))
    return circuit, key, problems


# ---------------------------------------------------------------- files


@dataclass(frozen=True)
class Loaded:
    """A circuit file as a page takes it.

    `key` of the shipped circuit it starts from; `settings` of the page, by name, as texts or
    numbers; `remarks`, one sentence for each thing that was taken for granted.
    """

    circuit: Circuit
    key: str
    settings: dict
    remarks: tuple


def file_text(circuit, key, page, texts):
    """Circuit file with the settings of a page, as `PageState.texts`, in its [scene] table."""
    return write_circuit(circuit, {"page": page, "circuit": key, **texts})


def read_circuit_file(text, page):
    """Read a circuit file for a page.

    Parameters
    ----------
    text : str
    page : str
        Name of the page; a scene of another page is left aside, and one without a page's name
        is one of Build.

    Returns
    -------
    Loaded

    Raises
    ------
    QuantityError
        As `built.file.read_file`; also for a file without a circuit, unless it is a scene of this
        page.
    """
    table = files.read(text)
    if not holds_circuit(table):
        settings = scene_of(table, page)
        key = _key_of(settings)
        return Loaded(shipped()[key][0], key, _own(settings), ())
    circuit, scene, notes = read_file(text)
    mine = scene.get("page", "build") == page
    key = _key_of(scene) if "page" in scene and mine else nearest_shipped(circuit)
    return Loaded(circuit, key, _own(scene) if mine else {}, notes)


def _key_of(scene):
    key = scene.get("circuit", first_shipped())
    return key if key in shipped() else first_shipped()


def _own(scene):
    return {n: v for n, v in scene.items() if n not in ("page", "circuit", "use")}
