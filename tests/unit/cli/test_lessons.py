"""`forktail lessons check` and `forktail lessons handout`."""

import shutil

import pytest

from forktail.cli import main
from forktail.resources import lessons_dir


def run(capsys, *argv):
    status = main(list(argv))
    out = capsys.readouterr()
    return status, out.out, out.err


@pytest.fixture
def copy(tmp_path):
    """A folder with the first lesson and the glossary."""
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


def test_check_of_a_sound_folder_and_of_one_lesson(capsys, copy):
    for path in (copy.parent, copy):
        status, out, err = run(capsys, "lessons", "check", str(path))
        assert (status, err) == (0, ""), out
        assert "exactly one right answer" in out


def test_check_names_file_line_and_remedy(capsys, copy):
    path = copy / "lesson.toml"
    path.write_text(path.read_text().replace("minutes = 15", "minutes = 0.5"))
    status, out, err = run(capsys, "lessons", "check", str(copy))
    assert status == 1
    assert out.startswith(f"{path}:3: 'minutes' is 0.5. Write whole minutes")
    assert err == "1 fault in 1 lesson.\n"


def test_handout_is_written(capsys, tmp_path):
    out_file = tmp_path / "sheet.html"
    status, out, err = run(capsys, "lessons", "handout", "one-pair", "--html", str(out_file))
    assert (status, err) == (0, "") and "worksheet and key" in out
    assert "<svg" in out_file.read_text()


@pytest.mark.parametrize(
    "argv, words",
    [
        (("lessons", "check", "/nowhere"), ("/nowhere", "not a folder")),
        (("lessons",), ("COMMAND", "--help")),
        (("lessons", "handout", "nope", "--html", "x"), ("nope", "one-pair")),
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


@pytest.mark.parametrize("command", [("check",), ("handout",)])
def test_help_has_an_example(capsys, command):
    with pytest.raises(SystemExit) as end:
        main(["lessons", *command, "--help"])
    assert end.value.code == 0
    assert "Example: forktail lessons" in capsys.readouterr().out
