"""Commands `forktail lessons check` and `forktail lessons handout`."""

import sys
from pathlib import Path

from forktail.cli.options import RAW
from forktail.core.checks import QuantityError
from forktail.lessons.library import read_library
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
    library = read_library(
        folder.parent if alone else folder, args.folder and str(folder.parent if alone else folder)
    )
    found = check_library(library)
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
        help="check lessons, print worksheets",
        formatter_class=RAW,
        description="Check lessons and write worksheets.",
        epilog="Example: forktail lessons check lessons",
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
        help="folder of lessons (default: those of the app)",
    )
    handout.set_defaults(run=command_handout)
