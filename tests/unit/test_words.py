"""Words that we do not use, in everything that a person reads (DEVELOPERS.md, "How we write").

Every text is looked at: the lessons, README, DEVELOPERS.md, each string literal of the app (what it
composes for the screen, and docstrings), and the texts of the scripts. A file that still has such
words stands in `STILL`, and comes off that list when it is mended; no file is added.
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
    r"\b(?:wanted|allowed|known) (?:is|are)\b": "X is allowed, give X, use one of X",
}
_UNUSED = {re.compile(pattern, re.IGNORECASE): better for pattern, better in UNUSED.items()}

#: Files that still have such words. Take yours off when it is mended.
STILL = frozenset(
    (
        "app/forktail/classroom/code.py",
        "app/forktail/classroom/page.py",
        "app/forktail/classroom/store.py",
        "app/forktail/cli/compare.py",
        "app/forktail/cli/plan.py",
        "app/forktail/cli/sweep.py",
        "app/forktail/core/__init__.py",
        "app/forktail/core/bench/drives.py",
        "app/forktail/core/bench/faults.py",
        "app/forktail/core/built/circuit.py",
        "app/forktail/core/built/file.py",
        "app/forktail/core/built/mismatch.py",
        "app/forktail/core/built/network.py",
        "app/forktail/core/built/preferred.py",
        "app/forktail/core/capture/causes.py",
        "app/forktail/core/capture/circuit.py",
        "app/forktail/core/capture/columns.py",
        "app/forktail/core/capture/compare.py",
        "app/forktail/core/capture/fit.py",
        "app/forktail/core/capture/headings.py",
        "app/forktail/core/capture/sniff.py",
        "app/forktail/core/capture/table.py",
        "app/forktail/core/cell/law.py",
        "app/forktail/core/cell/pair.py",
        "app/forktail/core/checks.py",
        "app/forktail/core/files.py",
        "app/forktail/core/path.py",
        "app/forktail/core/quantities.py",
        "app/forktail/core/spec.py",
        "app/forktail/core/uses/__init__.py",
        "app/forktail/core/uses/gain.py",
        "app/forktail/core/uses/modulation.py",
        "app/forktail/core/uses/reference.py",
        "app/forktail/core/uses/result.py",
        "app/forktail/core/uses/signals.py",
        "app/forktail/core/uses/words/gain.py",
        "app/forktail/core/uses/words/modulation.py",
        "app/forktail/core/uses/words/phase.py",
        "app/forktail/core/waves/drives.py",
        "app/forktail/core/waves/sound.py",
        "app/forktail/core/waves/spectrum.py",
        "app/forktail/pages/build/circuit_texts.py",
        "app/forktail/pages/build/findings.py",
        "app/forktail/pages/build/mismatch_panel.py",
        "app/forktail/pages/build/page.py",
        "app/forktail/pages/build/parts_table.py",
        "app/forktail/pages/build/state.py",
        "app/forktail/pages/build/transfer_curves.py",
        "app/forktail/pages/compare/drop.py",
        "app/forktail/pages/compare/state.py",
        "app/forktail/pages/plan/state.py",
        "app/forktail/pages/plan/words.py",
        "app/forktail/pages/signals/page.py",
        "app/forktail/pages/signals/state.py",
        "app/forktail/pages/signals/words.py",
        "app/forktail/pages/steer/schematic.py",
        "app/forktail/pages/uses/plots.py",
        "app/forktail/pages/uses/state.py",
        "app/forktail/server/safety.py",
        "app/forktail/ui/jobs.py",
        "app/forktail/ui/later.py",
        "app/forktail/ui/markup.py",
        "app/forktail/ui/palette.py",
        "app/forktail/ui/plots.py",
        "app/forktail/ui/shell.py",
        "app/forktail/ui/state.py",
        "app/forktail/ui/text.py",
        "assets/pages/class/body.html",
        "assets/pages/compare/drop.js",
    )
)


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


@pytest.mark.parametrize("path", [f for f in files() if f not in STILL])
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
