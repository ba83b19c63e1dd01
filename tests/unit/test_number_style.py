"""Numbers are written one way, in what the pages and the commands really say.

Common practice after ISO 80000-1 (7.1.4, 7.3): a blank between a number and its unit, "%" and "dB"
included; a true minus sign. The terminal has a hyphen for it.
"""

import re

import pytest

from forktail.cli import main
from forktail.pages.build.page import BuildPage
from forktail.pages.signals.page import SignalsPage
from forktail.pages.steer.page import SteerPage
from forktail.pages.uses.page import UsesPage
from forktail.ui.markup import MarkupView

#: What we do not write -> an example.
WRONG = {
    r"\d%": "94.5%",
    r"\d(?:dB|kHz|Hz|mV|mA|\u00b5A)\b": "20mV",
    r"(?<![\w\u2212.)-])-\d": "-3.0 dB with a hyphen",
    r"\d,\d{3}\b": "4,096",
    r"\d[eE][-+\u2212]?\d": "1e-05",
    r"\u22120(?:\.0+)?(?![.\d])": "minus zero",
}
PAGES = {
    SteerPage: ("", "stage=pair&v_upper=-31mV", "stage=shared", "stage=crossed&offset_left=2mV",
                "v_upper=-99mV&i_tail=4mA", "i_tail=0A"),
    SignalsPage: ("", "model=built", "upper_kind=call"),
    UsesPage: tuple(f"use={u}" for u in ("variable_gain", "gain_control_loop", "am", "dsb", "ssb",
                                         "mixer", "phase_detector", "squarer")),
    BuildPage: ("", "v_upper=-100mV&r_load_left=12k"),
}  # fmt: skip
#: A number and its unit.
VALUE = r"(?<![\d.])(\d+(?:\.\d+)?) ([kM\u00b5mnp]?(?:Hz|V|A|s))\b"
SCENES = [(page, query) for page, queries in PAGES.items() for query in queries]


def texts(page):
    """All that the views of a page say."""
    for view in vars(page).values():
        if not isinstance(view, MarkupView):
            continue
        for attributes in view.sent.values():
            if isinstance(attributes.get("#"), str):
                yield attributes["#"]
        yield from re.findall(r">([^<>]+)<", view.markup)


def faults(said):
    """What is wrong in a text, with the example of each rule."""
    plain = said.replace("\u00a0", " ").replace("\u202f", " ")
    found = [f"{ex}: {plain!r}" for rule, ex in WRONG.items() if re.search(rule, plain)]
    for sentence in re.split(r"[.;] ", plain):
        # one value, two ways: 4.0000 kHz and 4.000 kHz
        seen = {}
        for number, unit in re.findall(
            r"(?<![\d.])(\d+(?:\.\d+)?) ([kM\u00b5mnp]?(?:Hz|V|A|s))\b", sentence
        ):
            if len(seen.setdefault((float(number), unit), set()) | {number}) > 1:
                found.append(f"{number} {unit} written two ways: {sentence!r}")
            seen[float(number), unit].add(number)
    return found


@pytest.mark.parametrize("made, query", SCENES, ids=[f"{p.__name__} {q}" for p, q in SCENES])
def test_pages_write_numbers_one_way(made, query):
    page = made(None) if made is BuildPage else made()
    page.start(query)
    found = [fault for said in texts(page) for fault in faults(said)]
    if made is BuildPage:
        page.stop()
    assert not found, "\n".join(sorted(set(found)))


@pytest.mark.parametrize("said", [
    "94.5% of it", "it gives 20mV", "at -3.0 dB", "in 4,096 samples", "1e-05 V",
    "\u22120.0 dB", "1 of 4.0000 kHz and 4.000 kHz",
])  # fmt: skip
def test_each_old_style_is_found(said):
    assert faults(said)


@pytest.mark.parametrize("command", [
    ["point", "--upper", "-50mV", "--lower", "5mV"],
    ["spectrum", "--use", "mixer"],
])  # fmt: skip
def test_commands_leave_a_blank_before_a_unit(command, capsys):
    main(command)
    said = capsys.readouterr().out
    assert said and not re.search(r"\d(?:%|dB|kHz|Hz|mV|mA|uA)(?![\w])", said), said
