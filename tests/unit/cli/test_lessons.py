"""`forktail lessons check` and `forktail lessons handout`."""

import shutil

import pytest

from forktail.cli import main
from forktail.lessons.shelf import with_own
from forktail.resources import lessons_dir


def run(capsys, *argv):
    status = main(list(argv))
    out = capsys.readouterr()
    return status, out.out, out.err


@pytest.fixture
def copy(tmp_path):
    """A folder with a lesson made of the first one, and the glossary."""
    first = sorted(p for p in lessons_dir().iterdir() if p.is_dir())[0]
    shutil.copytree(first, tmp_path / first.name)
    shutil.copy(lessons_dir() / "glossary.md", tmp_path)
    text = tmp_path / first.name / "text.md"
    text.write_text(
        text.read_text()
        .replace("(lesson:", "(assumptions:")
        .replace("assumptions:gain-and-tail", "assumptions:")
    )
    return tmp_path / first.name


@pytest.fixture
def sound(copy):
    """The same with an id that no lesson of the app has."""
    path = copy / "lesson.toml"
    path.write_text(path.read_text().replace('id = "one-pair"', 'id = "my-pair"'))
    return copy


def test_check_of_a_sound_folder_and_of_one_lesson(capsys, sound):
    for path in (sound.parent, sound):
        status, out, err = run(capsys, "lessons", "check", str(path))
        assert (status, err) == (0, ""), out
        assert "exactly one right answer" in out


def test_check_names_file_line_and_remedy(capsys, sound):
    path = sound / "lesson.toml"
    path.write_text(path.read_text().replace("minutes = 15", "minutes = 0.5"))
    status, out, err = run(capsys, "lessons", "check", str(sound))
    assert status == 1
    assert out.startswith(f"{path}:3: 'minutes' is 0.5. Write whole minutes")
    assert err == "1 fault in 1 lesson.\n"


def test_handout_is_written(capsys, tmp_path):
    out_file = tmp_path / "sheet.html"
    status, out, err = run(capsys, "lessons", "handout", "one-pair", "--html", str(out_file))
    assert (status, err) == (0, "") and "worksheet and key" in out
    assert "<svg" in out_file.read_text()


def test_a_new_lesson_checks_clean_and_stands_behind_those_of_the_app(capsys, tmp_path):
    own = tmp_path / "own"
    for key, number in (("my-lesson", "01"), ("another", "02")):
        status, out, err = run(capsys, "lessons", "new", key, "--lessons", str(own))
        assert (status, err) == (0, "") and f"{number}-{key}" in out
    status, out, err = run(capsys, "lessons", "check", str(own))
    assert (status, err) == (0, "")
    assert out.startswith("2 lessons: every text reads")  # no note either
    library = with_own(own)
    ids = [e.lesson.id for e in library.entries]
    assert ids[0] == "one-pair" and ids[-2:] == ["my-lesson", "another"]
    assert "tail-current" in library.glossary
    status, out, err = run(capsys, "lessons", "new", "one-pair", "--lessons", str(own))
    assert status == 2 and "already" in err


def test_own_terms_and_lessons_come_behind_and_a_taken_id_is_a_fault(capsys, copy):
    (copy.parent / "glossary.md").write_text("## Tail current\n\nOurs.\n\n## Roost\n\nA place.\n")
    library = with_own(copy.parent)
    assert library.glossary["tail-current"][1].source == "Ours." and "roost" in library.glossary
    assert library.glossary["offset"] and library.lesson("one-pair").file.startswith("lessons/")
    assert "is that of the lesson 01-one-pair" in library.entries[-1].faults[0].text
    status, out, err = run(capsys, "lessons", "check", str(copy))
    assert status == 1 and "Give yours another id" in out


@pytest.mark.parametrize(
    "argv, words",
    [
        (("lessons", "check", "/nowhere"), ("/nowhere", "not a folder")),
        (("lessons",), ("COMMAND", "--help")),
        (("lessons", "handout", "nope", "--html", "x"), ("nope", "one-pair")),
        (("lessons", "new", "My Lesson"), ("My Lesson", "small letters")),
        (("lessons", "handout", "one-pair"), ("--html",)),
        (("lessons", "handout", "one-pair", "--html", "/nowhere/x.html"), ("/nowhere/x.html",)),
    ],
)
def test_errors_are_one_line_and_status_2(capsys, argv, words):
    status, out, err = run(capsys, *argv)
    assert status == 2 and out == ""
    assert err.startswith("forktail: ") and err.count("\n") == 1
    for word in words:
        assert word in err


@pytest.mark.parametrize("command", [("check",), ("handout",), ("new",)])
def test_help_has_an_example(capsys, command):
    with pytest.raises(SystemExit) as end:
        main(["lessons", *command, "--help"])
    assert end.value.code == 0
    assert "Example: forktail lessons" in capsys.readouterr().out
