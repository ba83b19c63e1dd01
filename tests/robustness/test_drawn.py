"""A small seeded set of the robustness cases; `python -m tests.robustness` runs 10,000."""

import pytest
from cases import TARGETS, Hang, bounded, check, one_clear_line, told

#: Cases of each target here.
COUNTS = {
    "circuit files": 25,
    "captures, read": 60,
    "captures, compared": 6,
    "lessons": 25,
    "links of pages": 80,
    "messages of controls": 150,
    "messages to the room": 60,
    "command lines": 60,
}


@pytest.mark.parametrize("name", TARGETS)
def test_each_case_has_an_answer_or_one_clear_line(name):
    found, _ = check(name, COUNTS[name])
    assert sum(found.values()) >= COUNTS[name] // 2 and found["refusal"]


def test_the_checks_can_fail():
    for bad in ("", "two\nlines", "Traceback (most recent call last)", "x" * 2000, "a\x1b[31m"):
        with pytest.raises(AssertionError):
            one_clear_line(bad)
    for bad in ({"a": {"#": "nan V"}}, ["NaN"], float("nan"), '<td width="inf">'):
        with pytest.raises(AssertionError):
            told(bad)
    told({"a": "'nan' is not a value", "notice": ["nan"], "b": "finance, Infinitywar"})
    with pytest.raises(Hang), bounded(1):
        while True:
            pass
