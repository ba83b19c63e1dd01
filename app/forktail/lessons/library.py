"""Reads a folder of lessons, with its glossary and its page of assumptions."""

import re
from pathlib import Path

from forktail.lessons.format import Entry, Library
from forktail.lessons.reader import read_lesson
from forktail.lessons.source import Fault, Text


def term_id(term):
    """Id of a glossary term as links name it: `Tail current` is `tail-current`."""
    return re.sub(r"[^a-z0-9]+", "-", term.lower()).strip("-")


def read_glossary(path, shown):
    """Terms of a glossary: dict of id to (term, Text), and faults."""
    terms, faults = {}, []
    if not path.exists():
        return terms, faults
    term, start, held = None, 1, []
    lines = path.read_text(encoding="utf-8").splitlines()
    for number, line in enumerate([*lines, "## "], 1):
        if not line.startswith("## "):
            held.append(line)
            continue
        if term:
            if term_id(term) in terms:
                faults.append(
                    Fault(
                        shown,
                        start - 1,
                        f"the term '{term}' appears twice.",
                        "Keep one of the two.",
                    )
                )
            terms[term_id(term)] = (term, Text("\n".join(held).strip(), shown, start))
        term, start, held = line[3:].strip(), number + 1, []
    return terms, faults


def read_library(folder, shown=None):
    """Read every lesson below a folder; a broken one is an entry with its faults.

    Parameters
    ----------
    folder : Path
        With one folder a lesson (each holding a lesson.toml), glossary.md and assumptions.md.
    shown : str, optional
        How the folder is named in faults.

    Returns
    -------
    Library
    """
    folder = Path(folder)
    shown = folder.name if shown is None else shown
    entries, ids = [], {}
    try:
        folders = sorted(
            p
            for p in folder.iterdir()
            if p.is_dir() and ((p / "lesson.toml").exists() or (p / "text.md").exists())
        )
    except OSError as error:
        return Library(
            (), {}, Text(), (Fault(shown, 1, f"the folder cannot be read ({error.strerror})."),)
        )
    for path in folders:
        name = f"{shown}/{path.name}" if shown else path.name
        lesson, faults = read_lesson(path, name)
        if lesson and lesson.id in ids:
            faults.append(
                Fault(
                    lesson.file,
                    1,
                    f"the id '{lesson.id}' is that of {ids[lesson.id]} too.",
                    "Give each lesson a different id.",
                )
            )
        elif lesson:
            ids[lesson.id] = path.name
        title = lesson.title if lesson and lesson.title else path.name
        good = lesson if lesson and not faults and lesson.steps else None
        entries.append(Entry(path.name, title, good, tuple(sorted(faults))))
    glossary, faults = read_glossary(folder / "glossary.md", f"{shown}/glossary.md")
    path = folder / "assumptions.md"
    assumptions = Text(
        path.read_text(encoding="utf-8") if path.exists() else "", f"{shown}/assumptions.md", 1
    )
    return Library(tuple(entries), glossary, assumptions, tuple(faults))
