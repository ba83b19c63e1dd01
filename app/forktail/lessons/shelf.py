"""The library that the app serves: read once, tried, and read again when its files change."""

import threading
from dataclasses import replace
from pathlib import Path

from forktail.core.checks import QuantityError
from forktail.lessons.check import check_lesson
from forktail.lessons.format import Library
from forktail.lessons.library import read_library
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


class Shelf:
    """The lessons of one folder, read when they are asked for, and again once its files change."""

    def __init__(self):
        self.folder, self.live = None, False
        self._seen = self._library = None
        self._lock = threading.Lock()

    def place(self):
        """The folder that is served."""
        return self.folder or lessons_dir()

    def stamp(self):
        """A value that changes when any file of the folder does."""
        out = []
        for path in sorted(self.place().rglob("*")):
            if path.suffix in (".toml", ".md"):
                try:
                    entry = path.stat()
                except OSError:  # just gone: the next look sees it
                    continue
                out.append((str(path), entry.st_mtime_ns, entry.st_size))
        return tuple(out)

    def library(self):
        """The library of the folder, every lesson tried."""
        with self._lock:
            if self._library is None or self.live or self._seen[0] != self.folder:
                seen = (self.folder, self.stamp())
                if seen != self._seen:
                    self._library = tried(read_library(self.place()))
                    self._seen = seen
            return self._library


#: What this process serves.
SHELF = Shelf()


def use_folder(folder):
    """Serve lessons from another folder, read again whenever a file of it changes.

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
