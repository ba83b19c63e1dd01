"""The library that the app serves: read once, tried, and read again when its files change."""

import threading
from dataclasses import replace
from pathlib import Path

from forktail.core.checks import QuantityError
from forktail.lessons.check import check_lesson
from forktail.lessons.format import Library
from forktail.lessons.library import read_library
from forktail.lessons.source import Fault
from forktail.resources import lessons_dir


def tried(library: Library):
    """The library after a quick trial: a lesson with a fault becomes an entry with its faults.

    Slow scenes and the proofs of tasks are left to `forktail lessons check`.
    """
    ids = {e.lesson.id for e in library.entries if e.lesson}
    entries = []
    for entry in library.entries:
        if entry.lesson:
            found = check_lesson(entry.lesson, library.glossary, ids, proofs=False)
            faults = tuple(sorted(f for f in found if not f.note))
            if faults:
                entry = replace(entry, lesson=None, faults=faults)
        entries.append(entry)
    return replace(library, entries=tuple(entries))


def with_own(folder=None, shown=None):
    """The lessons of the app, and behind them those of another folder, untried.

    Parameters
    ----------
    folder : Path, optional
        The folder of the app itself counts as none.
    shown : str, optional
        How the folder is named in faults; its own name otherwise.
    """
    shipped = read_library(lessons_dir())
    if folder is None or folder.resolve() == lessons_dir().resolve():
        return shipped
    own = read_library(folder, shown)
    if not own.entries and not own.faults:
        what = "the folder holds no lesson."
        remedy = "Make one with: forktail lessons new my-lesson --lessons DIR"
        own = replace(own, faults=(Fault(shown or folder.name, 1, what, remedy),))
    return shipped.with_more(own)


class Shelf:
    """The lessons of the app and of one folder beside them, read when they are asked for.

    They are read again once a file of that folder changes.
    """

    def __init__(self):
        self.folder, self.live = None, False
        self._seen = self._library = None
        self._lock = threading.Lock()

    def stamp(self):
        """A value that changes when any file of the folder does."""
        out = []
        for path in sorted((self.folder or lessons_dir()).rglob("*")):
            if path.suffix in (".toml", ".md"):
                try:
                    entry = path.stat()
                except OSError:  # just gone: the next look sees it
                    continue
                out.append((str(path), entry.st_mtime_ns, entry.st_size))
        return tuple(out)

    def library(self):
        """The library, every lesson tried."""
        with self._lock:
            if self._library is None or self.live or self._seen[0] != self.folder:
                seen = (self.folder, self.stamp())
                if seen != self._seen:
                    self._library = tried(with_own(self.folder))
                    self._seen = seen
            return self._library


#: What this process serves.
SHELF = Shelf()


def use_folder(folder):
    """Serve the lessons of a folder too, read again whenever a file of it changes.

    Raises
    ------
    QuantityError
        If there is no such folder.
    """
    path = Path(folder)
    if not path.is_dir():
        raise QuantityError(
            f"'{folder}' is not a folder; give one that holds a folder for each lesson."
        )
    SHELF.folder, SHELF.live = path.resolve(), True


def library():
    """The library that the app serves."""
    return SHELF.library()


def live_stamp():
    """A value that changes with the files while they are served by `--lessons`, else None."""
    return SHELF.stamp() if SHELF.live else None


def warm():
    """Read the library in the background, so that the first learner does not wait for it."""
    threading.Thread(target=library, daemon=True, name="forktail-lessons").start()
