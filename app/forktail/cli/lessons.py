"""Commands `forktail lessons check`, `handout` and `new`."""

import sys
from pathlib import Path

from forktail.cli.options import RAW
from forktail.core.checks import QuantityError
from forktail.lessons.library import read_library
from forktail.lessons.shelf import with_own
from forktail.resources import lessons_dir


def command_check(args):
    """Check a folder of lessons; status 1 if there are faults (2 is for a wrong command line)."""
    from forktail.lessons.check import check_library

    folder = Path(args.folder) if args.folder else lessons_dir()
    if not folder.is_dir():
        raise QuantityError(
            f"'{folder}' is not a folder; give one that holds a folder for each lesson."
        )
    alone = (folder / "lesson.toml").exists()
    place = folder.parent if alone else folder
    shown = args.folder and str(place)
    library = read_library(place, shown)
    found = check_library(library, beside=with_own(place, shown))
    if alone:
        own = str(folder)
        found = [f for f in found if f.file.startswith(own)]
    faults = [f for f in found if not f.note]
    for fault in found:
        print(fault)
    count = sum(1 for e in library.entries if not alone or e.folder == folder.name)
    noun = "lesson" if count == 1 else "lessons"
    if faults:
        print(f"{len(faults)} fault{'s' * (len(faults) != 1)} in {count} {noun}.", file=sys.stderr)
        return 1
    print(
        f"{count} {noun}: every text reads, every prediction has exactly one right answer, "
        "every task can be met."
    )
    return 0


def command_new(args):
    """Make a folder with a lesson to begin with."""
    from forktail.lessons.new import make_lesson

    folder = Path(args.folder)
    place = make_lesson(args.id, folder, with_own(folder if folder.is_dir() else None), args.title)
    print(
        f"wrote {place}: lesson.toml and text.md. They run as they are; now make them yours.\n"
        f"See it:   forktail serve --lessons {folder}\n"
        f"Check it: forktail lessons check {place}"
    )
    return 0


def command_handout(args):
    """Write the worksheet of a lesson with its key."""
    from forktail.lessons import shelf as lessons_shelf
    from forktail.lessons.handout import handout

    if args.folder:
        lessons_shelf.use_folder(args.folder)
    library = lessons_shelf.library()
    lesson = library.lesson(args.id)
    if lesson is None:
        ids = ", ".join(e.lesson.id for e in library.entries if e.lesson)
        broken = next(
            (e for e in library.entries if e.lesson is None and args.id in e.folder), None
        )
        if broken:
            raise QuantityError(
                f"lesson '{args.id}' has faults; forktail lessons check names "
                f"them. The first: {broken.faults[0]}"
            )
        raise QuantityError(f"there is no lesson '{args.id}'; there are {ids}.")
    text = handout(lesson, args.seed)
    try:
        Path(args.html).write_text(text, encoding="utf-8")
    except OSError as error:
        raise QuantityError(f"{args.html} cannot be written ({error.strerror}).") from None
    print(f"wrote {args.html}: worksheet and key of '{lesson.title}'")
    return 0


def add_parser(commands):
    """Add the commands to the sub-parsers of `forktail`."""
    top = commands.add_parser(
        "lessons",
        help="check lessons, print worksheets, begin a new lesson",
        formatter_class=RAW,
        description="Check lessons, write worksheets, and begin a new lesson.",
        epilog="Example: forktail lessons new my-lesson --lessons my-lessons",
    )
    inner = top.add_commands("lessons_command", required=True)
    check = inner.add_parser(
        "check",
        help="name what is wrong, with file, line and remedy",
        formatter_class=RAW,
        description="Check every lesson of a folder, or one lesson: texts, links and figures; that "
        "each\nprediction has exactly one right choice for every draw; that each task "
        "can be met\nfrom its start with the unlocked controls.",
        epilog="Example: forktail lessons check lessons/01-one-pair",
    )
    check.add_argument(
        "folder",
        nargs="?",
        metavar="DIR",
        help="folder of lessons, or of one lesson (default: those of the app)",
    )
    check.set_defaults(run=command_check)
    new = inner.add_parser(
        "new",
        help="make a folder with a lesson to begin with",
        formatter_class=RAW,
        description="Make a folder with a lesson that runs and checks clean: a lesson.toml and a "
        "text.md\nwith one of everything, to be made yours.",
        epilog="Example: forktail lessons new my-lesson --lessons my-lessons",
    )
    new.add_argument("id", metavar="ID", help="id of the lesson: small letters, digits, hyphens")
    new.add_argument(
        "--lessons",
        dest="folder",
        default=".",
        metavar="DIR",
        help="folder of your lessons, made if it is not there (default: where you are)",
    )
    new.add_argument("--title", default="", help="title of the lesson (default: from the id)")
    new.set_defaults(run=command_new)
    handout = inner.add_parser(
        "handout",
        help="write a worksheet with its key",
        formatter_class=RAW,
        description="Write a worksheet with blanks, and the key on separate pages, as one HTML "
        "file\nthat prints on A4 and Letter.",
        epilog="Example: forktail lessons handout one-pair --html one-pair.html",
    )
    handout.add_argument("id", metavar="ID", help="id of the lesson")
    handout.add_argument("--html", required=True, metavar="OUT", help="file to write")
    handout.add_argument(
        "--seed",
        default="0",
        help="another seed draws other figures where a lesson draws them (default %(default)s)",
    )
    handout.add_argument(
        "--lessons",
        dest="folder",
        metavar="DIR",
        help="folder with lessons of yours, beside those of the app",
    )
    handout.set_defaults(run=command_handout)
