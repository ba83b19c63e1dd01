"""The list of lessons, and the pages to read: glossary, assumptions, parts of the benches."""

import panel as pn

from forktail.lessons import shelf
from forktail.lessons.bench import parts_text
from forktail.lessons.format import CHECK, REVIEW
from forktail.lessons.markdown import Rendering
from forktail.lessons.panel import LessonList
from forktail.lessons.rounds import MOST, questions
from forktail.lessons.words import goals_of
from forktail.ui.shell import page, route

#: ms between two looks at the files of lessons that are being written.
LOOK_MS = 1000


def asked(name, most=200):
    """What the link says under a name, "" if nothing."""
    values = pn.state.session_args.get(name) or [b""]
    return values[0].decode("utf-8", "replace")[:most]


def reload_on_change(component):
    """While lessons are being written (`--lessons`), load the page again when a file changes."""
    first = shelf.live_stamp()
    if first is None or pn.state.curdoc is None:
        return

    def look():
        if shelf.live_stamp() != first:
            component.patch = {"reload": True}

    pn.state.add_periodic_callback(look, period=LOOK_MS)


@route("/lessons", "Lessons", 5)
def lesson_list():
    """Build the list of lessons, or one of the pages to read (`?read=glossary`)."""
    library = shelf.library()
    show(reading(library, asked("read")) or listing(library))


def show(spec):
    """Show a `LessonList` with this spec as the page."""
    view = LessonList(spec=spec)
    reload_on_change(view)
    page("lessons", spec.get("title", "Lessons"), {"list": view}, current="/lessons")


def listing(library):
    """Every lesson of a library, broken ones with their faults."""
    titles = {e.lesson.id: e.lesson.title for e in library.entries if e.lesson}
    rows = [
        {"number": number, **_row(entry, titles)} for number, entry in enumerate(library.entries, 1)
    ]
    return {
        "lessons": rows,
        "faults": [str(f) for f in library.faults],
        "check": min(MOST, sum(map(len, questions(library)))),
        "minutes": sum(e.lesson.minutes for e in library.entries if e.lesson),
    }


def _row(entry, titles):
    lesson = entry.lesson
    if lesson is None:
        return {"title": entry.title, "faults": [str(f) for f in entry.faults]}
    return {
        "id": lesson.id,
        "title": lesson.title,
        "minutes": lesson.minutes,
        "goals": goals_of(lesson),
        "steps": [s.id for s in lesson.steps],
        "asked": [s.id for s in lesson.steps if s.predict or s.task],
        "after": [titles.get(r, r) for r in lesson.requires],
    }


def reading(library, wanted):
    """A page to read, or None if there is none of that name."""
    rendering = Rendering({})
    if wanted == "glossary" and library.glossary:
        terms = [
            {"id": key, "term": term, "html": rendering.block(text)}
            for key, (term, text) in sorted(library.glossary.items())
        ]
        return {"title": "Glossary", "terms": terms}
    if wanted == "assumptions" and library.assumptions:
        return {"title": "Assumptions and sources", "html": rendering.block(library.assumptions)}
    if wanted == "parts" and (parts := parts_text(library)):
        return {"title": "Parts for all benches", "html": rendering.block(parts)}
    return None


def lost(library, wanted):
    """What is said about a lesson that is not there, or that has faults."""
    if wanted in (CHECK, REVIEW):
        said = "None of these questions is in the lessons any more, so there is nothing to ask."
        return {"title": "Nothing to ask", "lost": [], "asked": wanted, "said": said}
    entry = next((e for e in library.entries if wanted and wanted in e.folder), None)
    return {
        "title": entry.title if entry else "No such lesson",
        "lost": [str(f) for f in entry.faults] if entry else [],
        "asked": wanted,
    }
