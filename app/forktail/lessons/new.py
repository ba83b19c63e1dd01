"""A new lesson to begin with: it runs and checks clean, and shows one of everything."""

import re
from pathlib import Path

from forktail.core.checks import QuantityError, shortened
from forktail.lessons.format import CHECK, ID, REVIEW, Library
from forktail.resources import asset_text


def make_lesson(key, folder, library: Library, title=""):
    """Make a folder `NN-key` with `lesson.toml` and `text.md`.

    Parameters
    ----------
    key : str
        Id of the lesson.
    folder : Path
        Where the lessons are; made if it is not there.
    library : Library
        Those whose ids are taken.
    title : str, optional
        Made from the id if left out.

    Returns
    -------
    Path

    Raises
    ------
    QuantityError
        If the id is none or is taken, or the files cannot be written.
    """
    if not ID.fullmatch(key):
        raise QuantityError(
            f"'{shortened(key)}' is no id of a lesson; use small letters, digits and hyphens, "
            "such as my-lesson."
        )
    if key in (CHECK, REVIEW) or library.lesson(key):
        raise QuantityError(f"there is a lesson '{key}' already; choose another id.")
    folder = Path(folder)
    numbers = [int(m[1]) for p in folder.glob("*-*") if (m := re.match(r"(\d+)-", p.name))]
    place = folder / f"{max(numbers, default=0) + 1:02d}-{key}"
    title = " ".join(title.split()) or key.replace("-", " ").capitalize()
    words = {"[[ID]]": key, "[[TITLE]]": title.replace("\\", "\\\\").replace('"', '\\"')}
    try:
        place.mkdir(parents=True)
        for name, template in (("lesson.toml", "new.toml"), ("text.md", "new.md")):
            text = asset_text(f"pages/lesson/{template}")
            for mark, word in words.items():
                text = text.replace(mark, word)
            (place / name).write_text(text, encoding="utf-8")
    except OSError as error:
        raise QuantityError(f"{place} cannot be written ({error.strerror}).") from None
    return place
