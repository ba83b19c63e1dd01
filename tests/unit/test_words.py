"""Words that we do not use, in everything that a person reads (DEVELOPERS.md, "How we write").

Every text is looked at: the lessons, README, DEVELOPERS.md, each string literal of the app (what it
composes for the screen, and docstrings), and the texts of the scripts.
"""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

#: What is not used -> what a native author writes.
UNUSED = {
    r"\breckon": "work out, calculate, count",
    r"\bin the place of\b": "instead of",
    r"\bof (?:its|their) own\b": "its own ..., a separate ...",
    r"\bstands? at\b": "is, is at",
    r"\bstands? off\b": "has a DC offset",
    r"\bstands? (?:here|there|in|on|beside|behind|above|below)\b": "is",
    r"\bup ?stairs\b|\bdown ?stairs\b": "the upper pairs, the lower pair",
    r"\banew\b": "again",
    r"\bcome(?:s)? about\b|\bcame about\b": "happen; Why?",
    r"\bcare(?:s|d)? for\b": "is affected by",
    r"\bunlocked for you\b": "you can now change",
    r"\bturn(?:s|ed|ing)? round\b": "reverse",
    r"\bturn(?:s|ed|ing)? over\b": "reverse, invert",
    r"\bkeeps? step\b": "follows",
    r"\bnever steady for free\b": "drifts easily",
    r"\bwhat to take along\b": "what to remember",
    r"\bwhat became of\b": "what happened to",
    r"\bin the (?:end|way) that\b": "how, so that",
    r"\bon (?:its|their) own\b": "alone, separately",
    r"\b(?:wanted|allowed|known|taken)(?: with [a-z ]+)? (?:is|are)\b": "X is allowed, use X",
}
_UNUSED = {re.compile(pattern, re.IGNORECASE): better for pattern, better in UNUSED.items()}


def texts_of(path):
    """Pairs of (line, text) that a file shows to somebody."""
    source = path.read_text(encoding="utf-8")
    if path.suffix == ".py":
        for node in ast.walk(ast.parse(source)):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                for n, line in enumerate(node.value.splitlines()):
                    yield node.lineno + n, line
    else:
        bare = re.sub(r"//[^\n]*", "", source) if path.suffix == ".js" else source
        bare = re.sub(r"\*Not:\*.*?\*But:\*", "", bare)  # the examples of what not to write
        # a phrase may be broken between two lines
        for n, line in enumerate(bare.splitlines(), 1):
            yield n, line
        for match in re.finditer(r"(\S+ \S+)\n(\S+ \S+)", bare):
            yield bare.count("\n", 0, match.start()) + 1, f"{match[1]} {match[2]}"


def words_in(path):
    """Sentences on what a file says that we do not: where, what, and what instead."""
    found = {}
    for line, text in texts_of(path):
        for pattern, better in _UNUSED.items():
            if match := pattern.search(text):
                found[line, match[0].lower()] = f"{path}:{line}: '{match[0]}'; write: {better}"
    return list(found.values())


def files():
    """Every file that holds words, as a path from the root."""
    kinds = ("app/**/*.py", "lessons/**/*.md", "lessons/**/*.toml", "assets/**/*.js",
             "assets/**/*.html", "*.md")  # fmt: skip
    found = (p for kind in kinds for p in ROOT.glob(kind))
    return sorted({p.relative_to(ROOT).as_posix() for p in found if "__pycache__" not in p.parts})


@pytest.mark.parametrize("path", files())
def test_no_word_that_we_do_not_use(path):
    assert words_in(ROOT / path) == []


@pytest.mark.parametrize("word", ["It stands at 3 V.", "Reckon with it.", "a tail of its own"])
def test_the_look_sees_such_a_word(tmp_path, word):
    for name, text in (("x.md", word), ("x.py", f"TEXT = {word!r}\n")):
        (tmp_path / name).write_text(text)
        assert len(words_in(tmp_path / name)) == 1
    (tmp_path / "x.md").write_text("It is at 3 V, and it has a separate tail.")
    assert words_in(tmp_path / "x.md") == []


def test_a_phrase_is_seen_across_two_lines(tmp_path):
    (tmp_path / "x.md").write_text("The collector now stands\nat three volts.")
    assert words_in(tmp_path / "x.md") != []


if __name__ == "__main__":
    for name in files():
        for sentence in words_in(ROOT / name):
            print(sentence)
