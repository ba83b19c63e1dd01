"""The one writer and reader of files: what is written is read, wherever a text has its traps."""

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from forktail.core import files
from forktail.core.checks import QuantityError
from forktail.core.files import Lines

#: Whatever a person can type or paste: all characters but halves of surrogate pairs.
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
VALUES = st.one_of(
    TEXTS,
    st.booleans(),
    st.integers(-(2**60), 2**60),
    st.floats(allow_nan=False),
    st.lists(st.one_of(TEXTS, st.floats(allow_nan=False)), max_size=4),
    st.dictionaries(TEXTS, st.one_of(TEXTS, st.booleans()), max_size=3),
)


@given(st.dictionaries(TEXTS, VALUES, max_size=5), st.dictionaries(TEXTS, VALUES, max_size=5))
@example({'a"b': 'say "hello"'}, {"\\": "C:\\path\\"})
@example({}, {"x": "two\nlines\r\nand a tab\t", "y": "\x00\x07\x7f\x85\u2028\u202e"})
def test_what_is_written_is_read(top, inner):
    top.pop("inside", None)
    text = files.write({"": top, "inside": inner}, "a comment")
    assert files.read(text) == {**top, "inside": inner}
    assert len(text.splitlines()) == 3 + len(top) + len(inner)  # one line a value


def test_half_of_a_pair_of_surrogates_becomes_the_mark_of_a_lost_character():
    assert files.read(files.write({"": {"a": "\ud83dx"}})) == {"a": "\ufffdx"}


def test_a_file_reads_well():
    text = files.write({"scene": {"v": "2.2 kohm", "n": 200.0, "s": 1e-13}}, "said first")
    assert text == '# said first\n\n[scene]\nv = "2.2 kohm"\nn = 200\ns = 1e-13\n'


@pytest.mark.parametrize("value", [object(), 1j, None, math])
def test_what_a_file_cannot_hold_is_refused_with_its_place(value):
    with pytest.raises(QuantityError, match="scene.x is .*which a file cannot hold"):
        files.write({"scene": {"x": [value]}})


@pytest.mark.parametrize(
    "text, line, words",
    [
        ("a = 1\nb = \n", 2, "line 2"),
        ('a = 1\n\nb = "x', 3, "line 3"),
        ("a = " + "[" * 5000, 0, "not TOML"),
        ("a = " + "9" * 5000, 0, "not TOML"),
    ],
)
def test_what_is_no_toml_is_told_with_its_line(text, line, words):
    with pytest.raises(files.NotToml, match=words) as caught:
        files.read(text)
    assert caught.value.line == line and "\n" not in str(caught.value)


def test_a_file_that_is_too_long_is_refused():
    with pytest.raises(QuantityError, match="200001 characters; at most 200000"):
        files.read("#" * 200_001)


def test_lines_of_a_toml_text():
    lines = Lines(
        'a = 1\nb = [\n 1,\n]\nc = """\nx = 2\n"""\n[[s]]\nd = 1\n[s.t]\ne = 1\n[[s.u]]\n'
        "f = 1\n[[s]]\n[[s.u]]\nf = 2\n"
    )
    assert [
        lines.of(*p)
        for p in (
            ("a",),
            ("b",),
            ("c",),
            ("s", 0, "d"),
            ("s", 0, "t", "e"),
            ("s", 0, "u", 0, "f"),
            ("s", 1, "u", 0, "f"),
            ("s", 1, "u", 0, "g"),
        )
    ] == [1, 2, 5, 9, 11, 13, 16, 15]


def test_lines_of_dotted_and_quoted_names():
    lines = Lines('\ufeffdrive.upper.source = 50\n[ "a.b" . c ]\n"x y" = 1 # [\nd . e = 2\n[f]\n')
    assert lines.of("drive", "upper", "source") == 1
    assert lines.of("a.b", "c", "x y") == 3 and lines.of("a.b") == 2
    assert lines.of("a.b", "c", "d", "e") == 4 and lines.of("f", "missing") == 5


def test_lines_inside_texts_of_several_lines_are_no_keys():
    text = 'note = """\n[loads]\nleft = 1\n"""\n[loads]\nleft = 2\n'
    assert Lines(text).of("loads", "left") == 6
