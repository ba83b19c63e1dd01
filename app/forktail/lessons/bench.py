"""What the benches of all lessons take together, and the parts of the board that they share."""

from forktail.core.built.circuit import Circuit
from forktail.core.built.references import references
from forktail.core.spec import specs_of
from forktail.lessons.scenes.states import board_circuit
from forktail.lessons.source import Text


def bench_parts(library):
    """Each thing that a bench takes: (name, the most that one bench takes, numbers of lessons).

    In the order in which the lessons first need it: what is bought for one bench serves the next.
    """
    out = {}
    for number, entry in enumerate(library.entries, 1):
        for name, count in (entry.lesson.parts if entry.lesson else {}).items():
            most, lessons = out.get(name, (0, ()))
            out[name] = max(most, count), (*lessons, number)
    return [(name, most, lessons) for name, (most, lessons) in out.items()]


def board_parts():
    """Parts of the board of the lessons: (references, what it is, value)."""
    circuit, specs = board_circuit(), specs_of(Circuit)
    rows = [
        (", ".join(refs), specs[field].title, specs[field].show(getattr(circuit, field)))
        for field, refs in references(circuit).items()
        if refs[0][0] in "RC"
    ]
    rows.sort(key=lambda row: (row[0][0] == "C", int(row[0].split(",")[0][1:])))
    return [*rows, ("Q1 to Q7", "npn transistor, small signal, all of one type", "")]


def parts_text(library):
    """The list as a Markdown `Text`; "" if no lesson names any part."""
    rows = bench_parts(library)
    if not rows:
        return Text()
    lines = ["| how many | what | lessons |", "| --- | --- | --- |"]
    lines += [f"| {most} | {_cell(name)} | {_spans(lessons)} |" for name, most, lessons in rows]
    lines += ["", "## The bat-call mixer board", ""]
    lines += ["| part | what | value |", "| --- | --- | --- |"]
    lines += [f"| {refs} | {_cell(what)} | {_cell(value)} |" for refs, what, value in board_parts()]
    lines += ["", _CAUTION]
    return Text("\n".join(lines))


_CAUTION = (
    "The values are invented for our workshop. Set the current limit of the supply before you "
    "connect a board. Local codes and the advice of licensed practitioners come first."
)


def _cell(text):
    return text.replace("|", "\\|").replace("{", "\\{")


def _spans(numbers):
    """1, 2, 3, 5 as `1 to 3, 5`."""
    runs = []
    for n in numbers:
        if runs and n == runs[-1][1] + 1:
            runs[-1][1] = n
        else:
            runs.append([n, n])
    return ", ".join(f"{a}" if a == b else f"{a}, {b}" if b == a + 1 else f"{a} to {b}"
                     for a, b in runs)  # fmt: skip
