"""What a careless or hostile hand may put in, and what must hold for the answer.

Each target takes one drawn case. It returns "answer" or "refusal", and raises where the app gives
neither: a traceback, a message of many lines, a not-a-number on a screen, or work that is lost.
"""

import asyncio
import contextlib
import io
import json
import logging
import re
import signal
import tempfile
import time
from collections import Counter
from pathlib import Path
from types import SimpleNamespace
from urllib.parse import quote

import numpy as np
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

import dialects
from forktail import cli, resources
from forktail.classroom.room import COOL, HOT
from forktail.classroom.store import OwnRoom
from forktail.classroom.wire import Audience, RoomSocket
from forktail.core.built import file as circuit_file
from forktail.core.capture import invented as capture
from forktail.core.capture import read as capture_file
from forktail.core.checks import QuantityError
from forktail.lessons import check as lessons_check
from forktail.lessons import library as lessons_library
from forktail.lessons import shelf as lessons_shelf
from forktail.lessons.page import LessonPage
from forktail.pages.build.page import BuildPage
from forktail.pages.compare.page import ComparePage
from forktail.pages.signals.page import SignalsPage
from forktail.pages.steer.page import SteerPage
from forktail.pages.uses.page import UsesPage
from forktail.ui.markup import MarkupView
from forktail.ui.state import MAX_QUERY, Quantity
from helpers import apart

#: Seconds of processor time after which a case hangs: they bound, on a busy machine too.
HANG = 180

#: Texts in the place of a value.
ODD = st.sampled_from(
    [
        "",
        " ",
        "0",
        "-0",
        "1",
        "10mV",
        "-10mV",
        "2k2",
        "4u7",
        "5 GHz",
        "1e3",
        "1e400",
        "-1e400",
        "1e-320",
        "1e15V",
        "nan",
        "NaN",
        "inf",
        "-inf",
        "NaNV",
        "0x10",
        "1_000",
        "1,5",
        "1.2.3",
        "--",
        "1mVV",
        "mV",
        "\u22125mV",
        "1\u00b5A",
        "25\u00b0C",
        "-300",
        "true",
        "yes",
        "no",
        "None",
        "[]",
        "{}",
        "[1, 2]",
        "\x00",
        "\x1b[31m",
        "\u202e",
        "\U0001f987",
        "\u0660\u0661",
        "9" * 400,
        "<script>window.ran=1</script>",
        '"><img src=x onerror=window.ran=1>',
        "${7*7}",
        "{{7*7}}",
        "../../etc/passwd",
        "'; drop table",
        "%00",
        "%s%n",
        "a" * 5000,
    ]
)
WORDS = st.one_of(ODD, ODD, st.text(max_size=30))
NUMBERS = st.one_of(
    st.integers(-(10**18), 10**18),
    st.integers(-3, 200),
    st.floats(allow_nan=True),
    st.sampled_from([10**400, -1, 0, 2**63, 1e308, -1e308, 5e-324, True]),
)
PLAIN = st.one_of(
    st.none(),
    st.booleans(),
    NUMBERS,
    WORDS,
    st.just([]),
    st.just({}),
    st.lists(st.integers(), max_size=3),
    st.just({"a": [1]}),
    st.just([[[]]]),
)


class Hang(Exception):
    """A case took too long."""


@contextlib.contextmanager
def bounded(seconds=HANG):
    """Raise Hang if the body takes more processor time (main thread only)."""

    def late(*_):
        raise Hang(f"no answer within {seconds} s of processor time")

    before = signal.signal(signal.SIGPROF, late)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def one_clear_line(text):
    """What every refusal is: one line, a sentence, nothing of the machine."""
    text = str(text)
    assert text.strip() and "\n" not in text.strip(), repr(text)
    assert len(text) < 1500, f"{len(text)} characters: {text[:200]!r}"
    for sign in ("Traceback", "Error:", "<class", " object at 0x", "NoneType", "dtype"):
        assert sign not in text, repr(text)
    assert not any(ord(c) < 32 for c in text), repr(text)


# ---------------------------------------------------------------- texts that are nearly right


@st.composite
def spoiled(draw, bases, most=4):
    """One of the texts with a few changes: values, lines, signs."""
    text = draw(st.sampled_from(bases))
    for _ in range(draw(st.sampled_from((0, 1, 1, 1, 2, most)))):
        lines = text.split("\n")
        at = draw(st.integers(0, len(lines) - 1))
        how = draw(
            st.sampled_from(
                ("value", "value", "value", "drop", "double", "swap", "cut", "sign", "word")
            )
        )
        if how == "value" and "=" in lines[at]:
            key = lines[at].partition("=")[0]
            value = draw(WORDS)
            lines[at] = f"{key}= " + draw(st.sampled_from((value, json.dumps(value))))
        elif how == "drop":
            del lines[at]
        elif how == "double":
            lines.insert(at, lines[at])
        elif how == "swap":
            other = draw(st.integers(0, len(lines) - 1))
            lines[at], lines[other] = lines[other], lines[at]
        elif how == "cut":
            lines = lines[: at + 1]
        elif lines[at]:
            place = draw(st.integers(0, len(lines[at])))
            new = draw(st.characters()) if how == "sign" else draw(WORDS)
            lines[at] = lines[at][:place] + new + lines[at][place:]
        text = "\n".join(lines)
    return text


def _texts(folder, pattern):
    return [p.read_text(encoding="utf-8") for p in sorted(folder.glob(pattern))]


CIRCUITS = _texts(resources.assets_dir() / "circuits", "*.toml")


def circuit(text):
    """A circuit file: read, solved at rest, written again."""
    try:
        read = circuit_file.read_circuit(text)
    except QuantityError as refusal:
        for line in str(refusal).split("\n"):  # one for each fault
            one_clear_line(line)
        return "refusal"
    again = circuit_file.write_circuit(read)
    assert circuit_file.read_circuit(again) == read
    page = pages()["build"]
    page.controls.handle({"kind": "load", "text": text})
    seen(page)
    return "answer"


# ---------------------------------------------------------------- captures


def _invented(rows):
    looks = (",", "."), (";", ","), ("\t", ".")
    return [capture.invented_capture(rows=rows, delimiter=d, decimal=p) for d, p in looks]


def _dialects():
    texts = [write(dialects.signals(40)) for write in dialects.DIALECTS]
    return [t for t in texts if isinstance(t, str)]


@st.composite
def captures(draw, bases):
    """Bytes of a file that may be a capture."""
    kind = draw(st.sampled_from(("text", "text", "text", "text", "bytes", "encoded")))
    if kind == "bytes":
        return draw(st.binary(max_size=400))
    text = draw(spoiled(bases))
    lines = text.split("\n")
    for _ in range(draw(st.sampled_from((0, 0, 0, 1, 3)))):
        at = draw(st.integers(0, len(lines) - 1))
        sign = next((s for s in ";\t," if s in lines[at]), ",")
        cells = lines[at].split(sign)
        cells[draw(st.integers(0, len(cells) - 1))] = draw(WORDS)
        lines[at] = sign.join(cells)
    text = "\n".join(lines)
    if kind == "encoded":
        return text.encode(
            draw(st.sampled_from(("utf-16", "utf-8-sig", "latin-1", "utf-32"))), "replace"
        )
    return text.encode("utf-8", "surrogatepass")


def captured(data):
    """A capture: read; what is read holds numbers only, and can be compared or is refused."""
    try:
        table = capture_file.read_table(data, "capture.csv")
        found = capture_file.map_columns(table)
    except QuantityError as refusal:
        one_clear_line(refusal)
        return "refusal"
    for values in (found.time, found.v_upper, found.v_lower, found.v_out):
        assert values is None or np.isfinite(values).all()
    return "answer"


def compared(data):
    """A capture on the way of the command: compared or refused."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "capture.csv"
        path.write_bytes(data)
        return command(["compare", str(path), "--circuit", "bat-call-mixer", "--json"])


# ---------------------------------------------------------------- lessons

LESSONS = [p for p in sorted(resources.lessons_dir().iterdir()) if (p / "lesson.toml").exists()][:8]
_LESSON_TOML = [(p / "lesson.toml").read_text(encoding="utf-8") for p in LESSONS]
_LESSON_TEXT = [(p / "text.md").read_text(encoding="utf-8") for p in LESSONS]
LESSON_FILES = st.tuples(spoiled(_LESSON_TOML), spoiled(_LESSON_TEXT, 2))


def lesson(texts):
    """A folder of a lesson: read and checked; each fault is one line with a place."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "16-odd"
        place.mkdir()
        for name, text in zip(("lesson.toml", "text.md"), texts):
            (place / name).write_bytes(text.encode("utf-8", "replace"))
        library = lessons_library.read_library(folder, "lessons")
        faults = lessons_check.check_library(library, proofs=False)
        for fault in faults:
            one_clear_line(fault)
        found = library.entries[0].lesson
        if found is None:
            assert faults
            return "refusal"
        page = LessonPage(found, library)
        page.panel.handle({"kind": "hello"})
        for at in range(min(len(found.steps), 3)):
            page.panel.handle({"kind": "go", "at": at})
            told(page.panel.spec)
        return "answer"


# ---------------------------------------------------------------- pages


class Quiet:
    """In the place of a document: what is put off is never done."""

    def add_timeout_callback(self, *_):
        return object()

    add_next_tick_callback = add_timeout_callback

    def remove_timeout_callback(self, *_):
        pass


_PAGES, _STATES, _NAMES = {}, {}, {}


def pages():
    """One session of each page, made when it is first wanted."""
    if not _PAGES:
        library = lessons_shelf.library()
        made = {
            "steer": SteerPage(),
            "signals": SignalsPage(),
            "uses": UsesPage(),
            "build": BuildPage(Quiet()),
            "compare": ComparePage(Quiet()),
            "lesson": LessonPage(next(e.lesson for e in library.entries if e.lesson), library),
        }
        for name, page in made.items():
            if name == "lesson":
                page.panel.handle({"kind": "hello"})
            else:
                page.start("")
            page.controls.bucket.take = lambda: True  # the fuzz is faster than any hand
            _STATES[name] = type(page.state)()
            _NAMES[name] = page.controls.names or ["v_upper"]
        _PAGES.update(made)
    return _PAGES


def at_rest(name):
    """The page of that name at its defaults."""
    page = pages()[name]
    page.state.reset()
    page.controls.patch = {}
    return page


_BAD = re.compile(r"(?<![\w'])(nan|NaN|inf|Infinity|undefined|None)(?![\w'])")


def told(value, where=""):
    """Fail on a not-a-number in what goes to the screen; quoted words are the user's own."""
    if isinstance(value, dict):
        for key, item in value.items():
            if key not in ("notice", "errors", "refused", "value", "fault", "query", "inner"):
                told(item, f"{where}/{key}")
    elif isinstance(value, (list, tuple)):
        for item in value:
            told(item, where)
    elif isinstance(value, str):
        plain = re.sub(r"'[^']*'|&#x27;.*?&#x27;|value=\"[^\"]*\"", "", value)
        bad = _BAD.search(plain)
        assert not bad, f"{where}: {plain[max(0, bad.start() - 80) : bad.end() + 20]!r}"
    elif isinstance(value, float):
        assert np.isfinite(value), where


def seen(page):
    """All texts of a page's views and controls."""
    for name, view in vars(page).items():
        for one in view.values() if isinstance(view, dict) else (view,):
            if isinstance(one, MarkupView):
                told(one.sent, name)
                told(one.markup, name)
    told(page.controls.patch, "controls")
    for lines in page.controls.patch.get("notice", ()):
        assert "fault of Forktail" not in lines
        one_clear_line(re.sub(r"[\x00-\x1f\x7f]", " ", lines))


PAGE = st.sampled_from(("steer", "signals", "uses", "build", "compare"))


@st.composite
def links(draw):
    """(page, query): names of the page's own settings and others, with odd values."""
    name = draw(PAGE)
    pages()
    state = _STATES[name]
    odd = draw(st.sampled_from((0, 0, 1, 4)))  # of ten parts of this link, so many are odd
    pairs = []
    for _ in range(draw(st.integers(0, 6))):
        fair = draw(st.integers(0, 9)) >= odd
        key = draw(st.sampled_from(state.fields()) if fair or draw(st.booleans()) else WORDS)
        spec = state.param[key] if key in state.fields() else None
        if isinstance(spec, Quantity) and fair:
            low, high = spec.bounds
            value = spec.exact(
                draw(
                    st.one_of(
                        st.floats(low, high, allow_subnormal=False),
                        st.sampled_from((low, high)),
                        st.floats(*spec.slider, allow_subnormal=False),
                    )
                )
            )
        elif fair and isinstance(getattr(state, key), bool):
            value = draw(st.sampled_from(("yes", "no")))
        elif hasattr(spec, "objects") and fair:
            value = str(draw(st.sampled_from(list(spec.objects))))
        else:
            value = draw(WORDS)
        pairs.append(f"{quote(key, errors='replace')}={quote(value, errors='replace')}")
    query = "&".join(pairs)
    tails = ("", "&", "&&=", "%zz", "&a" * 200, "#x") if odd else ("",)
    return name, query + draw(st.sampled_from(tails))


def link(case):
    """A link of a page: shown, with a sentence for each part that is not understood."""
    name, query = case
    page = at_rest(name)
    try:
        problems = page.state.apply_query(query)
    except QuantityError as refusal:
        problems = [str(refusal)]
    for text in problems:
        one_clear_line(re.sub(r"[\x00-\x1f\x7f]", " ", text))
    page.redraw()
    seen(page)
    made = page.state.query()
    if len(made) <= MAX_QUERY:  # nothing that was set is lost on the way through the link
        again = type(page.state)()
        lost = again.apply_query(made)
        assert not lost, (made, lost)
        assert again.query() == made
    return "refusal" if problems else "answer"


KINDS = st.one_of(
    st.sampled_from(
        [
            "slide",
            "slide",
            "step",
            "entry",
            "entry",
            "choose",
            "flag",
            "drag",
            "drag",
            "preset",
            "reset",
            "follow",
            "save",
            "load",
            "csv",
            "theme",
            "edit",
            "edit",
            "apply",
            "scene",
            "repair",
            "rest",
            "tab",
            "round",
            "break",
            "cancel",
            "null",
            "untrim",
            "pick",
            "pick",
            "hello",
            "answer",
            "show",
            "again",
            "go",
            "hint",
            "on",
            "off",
            "open",
            "begin",
            "piece",
            "end",
        ]
    ),
    WORDS,
)
KEYS = (
    "name",
    "pos",
    "by",
    "text",
    "value",
    "seq",
    "view",
    "x",
    "y",
    "plot",
    "query",
    "inner",
    "use",
    "time",
    "band",
    "curve",
    "figure",
    "n",
    "key",
    "at",
    "step",
    "seed",
    "record",
    "choice",
    "size",
    "data",
    "ticket",
    "open",
)


@st.composite
def messages(draw):
    """(page, message) as a browser could send it, or could not."""
    name = draw(st.sampled_from(("steer", "signals", "uses", "build", "compare", "lesson")))
    if draw(st.integers(0, 20)) == 0:
        return name, draw(PLAIN)
    pages()
    names = _NAMES[name]
    views = ["map", "inputs", "over_upper", "offset_lower", "across"]
    values = {
        "name": st.one_of(st.sampled_from(names), st.sampled_from(names), PLAIN),
        "view": st.one_of(st.sampled_from(views), PLAIN),
        "x": NUMBERS,
        "y": NUMBERS,
        "pos": st.one_of(st.integers(-5, 500), PLAIN),
        "by": PLAIN,
        "text": WORDS,
    }
    kind = draw(KINDS)
    keys = {
        "slide": ("name", "pos"),
        "step": ("name", "by"),
        "entry": ("name", "text"),
        "edit": ("name", "text"),
        "choose": ("name", "value"),
        "drag": ("view", "x", "y"),
    }
    wanted = [*keys.get(kind, ()), *draw(st.lists(st.sampled_from(KEYS), max_size=4))]
    if draw(st.integers(0, 4)) == 0:
        wanted = wanted[1:]
    return name, {"kind": kind, **{k: draw(values.get(k, PLAIN)) for k in wanted}}


def message(case):
    """A message to the controls and to the other parts of a page that take some."""
    name, sent = case
    page = at_rest(name)
    with watched_log() as log:
        page.controls.handle(sent)
        for part in ("panel", "listen", "drop", "table", "numbers"):
            view = getattr(page, part, None)
            if hasattr(view, "handle"):
                view.handle(sent)
    assert not log, log
    seen(page)
    patch = page.controls.patch
    return "refusal" if "notice" in patch or "errors" in patch else "answer"


@contextlib.contextmanager
def watched_log():
    """Collect what the app logs as an error: faults that it caught and told."""
    found = []

    class Keep(logging.Handler):
        def emit(self, record):
            found.append(self.format(record))

    keep, log = Keep(level=logging.ERROR), logging.getLogger("forktail")
    log.addHandler(keep)
    log.propagate, before = False, log.propagate
    try:
        yield found
    finally:
        log.removeHandler(keep)
        log.propagate = before


# ---------------------------------------------------------------- the room

ROOM_KINDS = (
    "join",
    "follow",
    "answer",
    "open",
    "present",
    "show",
    "point",
    "freeze",
    "hide",
    "prepare",
    "step",
    "ask",
    "close",
    "reveal",
    "again",
    "done",
    "results",
    "end",
    "askable",
    "desk",
    "code",
)
SCENES = st.one_of(
    st.fixed_dictionaries(
        {
            "path": st.one_of(st.sampled_from(("", "signals", "uses")), PLAIN),
            "query": st.one_of(st.just("v_upper=3mV"), PLAIN),
        },
        optional={"inner": PLAIN, "title": PLAIN},
    ),
    PLAIN,
)


@st.composite
def talks(draw):
    """A few texts on one connection, from a learner or a presenter."""
    drives = draw(st.booleans())
    texts = [json.dumps({"kind": "open", "code": "bats-at-dusk"})] if drives else []
    for _ in range(draw(st.integers(1, 5))):
        if draw(st.integers(0, 9)) == 0:
            texts.append(draw(st.one_of(WORDS, st.just("[" * 3000), st.binary(max_size=20))))
            continue
        sent = {"kind": draw(st.one_of(st.sampled_from(ROOM_KINDS), WORDS))}
        for key in draw(
            st.lists(
                st.sampled_from(
                    (
                        "token",
                        "follows",
                        "role",
                        "on",
                        "question",
                        "asking",
                        "choice",
                        "code",
                        "key",
                        "index",
                        "lesson",
                        "step",
                        "seed",
                        "path",
                        "query",
                        "output",
                        "name",
                        "text",
                        "address",
                    )
                ),
                max_size=6,
                unique=True,
            )
        ):
            sent[key] = draw(st.one_of(PLAIN, st.sampled_from(("v_out", "v_upper", "one-pair"))))
        if draw(st.booleans()):
            sent |= {
                "scene": draw(SCENES),
                "scenes": draw(st.lists(SCENES, max_size=2)),
                "spot": draw(PLAIN),
                "snapshot": draw(
                    st.one_of(
                        PLAIN,
                        st.fixed_dictionaries(
                            {
                                "scene": SCENES,
                                "scenes": PLAIN,
                                "history": PLAIN,
                                "question": PLAIN,
                                "index": PLAIN,
                                "asked": PLAIN,
                            }
                        ),
                    )
                ),
            }
        texts.append(json.dumps(sent))
    return texts


class _Socket(RoomSocket):
    """A connection without a wire."""

    def __init__(self, audience):
        self.sent, self.closed = [], None
        self.request = SimpleNamespace(remote_ip="127.0.0.1", headers={})
        self.initialize(audience)

    def set_nodelay(self, value):
        pass

    def write_message(self, message, binary=False):
        self.sent.append(json.loads(message))
        done = asyncio.get_running_loop().create_future()
        done.set_result(None)
        return done

    def close(self, code=None, reason=None):
        self.closed = code


def room(texts):
    """A talk with the room: every text is answered, or taken in silence; others are served on."""

    async def talk():
        hall = OwnRoom("bats-at-dusk", ("", "signals", "uses", "lesson"))
        audience = Audience(hall)
        socket, other = _Socket(audience), _Socket(audience)
        socket.open()
        other.open()
        for text in texts:
            await socket.on_message(text)
        await other.on_message(json.dumps({"kind": "join"}))
        audience.clock.stop()
        assert any(m["kind"] == "you" for m in other.sent)
        for part, (_, view) in hall.look(dict.fromkeys(HOT + COOL, 0)).items():
            json.loads(json.dumps(view, allow_nan=False)), part
        return socket.sent

    sent = apart(talk())
    said = [m["text"] for m in sent if m["kind"] == "said"]
    for text in said:
        one_clear_line(re.sub(r"[\x00-\x1f\x7f]", " ", text))
    return "refusal" if said else "answer"


# ---------------------------------------------------------------- command lines

_OPTIONS = (
    "--upper",
    "--lower",
    "--tail",
    "--load",
    "--temp",
    "--supply",
    "--emitter-upper",
    "--offset-left",
    "--model",
    "--circuit",
    "--json",
    "--use",
    "--port",
    "--lines",
    "--columns",
    "--probe",
    "--interval",
    "--drive-upper",
    "--help",
    "--html",
    "--set",
)
_FAIR = st.sampled_from(
    [
        "10mV",
        "-5mV",
        "0",
        "2mA",
        "1k",
        "25",
        "12V",
        "300K",
        "100ohm",
        "3",
        "textbook",
        "built",
        "bat-call-mixer",
        "-50mV:50mV:5mV",
        "0:1:0",
        "1:2:-1",
        "20mV",
        "1:2",
        "mixer",
        "am",
        "/",
        "/nowhere/x.toml",
        "time=1,out=2",
        "upper=10",
    ]
)
_VALUES = st.one_of(WORDS, _FAIR, _FAIR, _FAIR, _FAIR)


_FITTING = {
    "--upper": "-20mV",
    "--lower": "10mV",
    "--tail": "2mA",
    "--load": "2k2",
    "--temp": "85",
    "--supply": "9V",
    "--emitter-upper": "100ohm",
    "--offset-left": "1mV",
    "--model": "built",
    "--circuit": "bat-call-mixer",
    "--use": "mixer",
    "--html": "-",
}


@st.composite
def lines(draw):
    """Words of a command line, in one of three hardly spoiled."""
    fair = draw(st.integers(0, 2)) == 0
    names = ("point", "point", "sweep", "spectrum", "lessons", "compare", "plan")
    words = [draw(st.sampled_from(names[:4] if fair else names))]
    if not draw(st.integers(0, 9)):
        words = [draw(WORDS)]
    if words[0] == "lessons":
        words.append(draw(st.sampled_from(("handout", "check", ""))))
        words += draw(st.lists(WORDS, max_size=1))
    if words[0] in ("compare", "plan"):
        words += draw(st.lists(WORDS, max_size=1))
    for _ in range(draw(st.integers(0, 4))):
        words.append(draw(st.sampled_from(_OPTIONS[:11] if fair else _OPTIONS)))
        if words[-1] not in ("--json", "--help") and (fair or draw(st.integers(0, 9))):
            words.append(_FITTING.get(words[-1], "1") if fair else draw(_VALUES))
    return words


def command(words):
    """A command line: an answer with status 0 or 1, or one line and status 2."""
    if not words or words[0].startswith("-") or words[0] == "serve":
        words = ["point", *words]  # the server is not started here
    if words[0] == "plan" and "--circuit" in words:
        words = [w for w in words if w != "bat-call-mixer"]  # a whole plan takes seconds
    if words[:2] == ["lessons", "check"] and len(words) < 3:
        words = [*words, "/nowhere"]
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            status = cli.main(words)
        except SystemExit as end:
            assert end.code == 0 and ("--help" in words or "--version" in words or "-h" in words), (
                words,
                end.code,
                err.getvalue(),
            )
            return "answer"
    if status == 2:
        assert err.getvalue().startswith("forktail: "), err.getvalue()
        for line in err.getvalue().strip().split("\n"):  # a circuit file may have several faults
            one_clear_line(line)
        return "refusal"
    assert status in (0, 1), status
    if "--json" in words and words[0] in ("point", "spectrum", "compare") and status == 0:
        assert "NaN" not in out.getvalue() and "Infinity" not in out.getvalue()
        json.loads(out.getvalue())
    return "answer"


#: Name -> (strategy, target, share of all cases).
TARGETS = {
    "circuit files": (spoiled(CIRCUITS), circuit, 0.10),
    "captures, read": (captures(_invented(60) + _dialects()), captured, 0.14),
    "captures, compared": (captures(_invented(1000)), compared, 0.02),
    "lessons": (LESSON_FILES, lesson, 0.06),
    "links of pages": (links(), link, 0.20),
    "messages of controls": (messages(), message, 0.24),
    "messages to the room": (talks(), room, 0.12),
    "command lines": (lines(), command, 0.12),
}


def check(name, count, number=20):
    """Run cases of one target; raises with the smallest failing case.

    Returns
    -------
    (Counter of "answer" and "refusal", seconds of the slowest case)
    """
    strategy, target, _ = TARGETS[name]
    found, slowest = Counter(), [0.0]

    @seed(number)
    @settings(
        max_examples=count,
        database=None,
        deadline=None,
        suppress_health_check=list(HealthCheck),
        phases=(Phase.explicit, Phase.generate, Phase.shrink),
    )
    @given(strategy)
    def one(case):
        start = time.perf_counter()
        with bounded():
            found[target(case)] += 1
        slowest[0] = max(slowest[0], time.perf_counter() - start)

    one()
    return found, slowest[0]
