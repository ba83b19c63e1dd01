"""The room behind one process and behind several: same calls, same refusals, changes pushed."""

import threading

import pytest

from forktail.classroom.store import OwnRoom, SharedRoom, make_room
from forktail.core.checks import QuantityError

CODE = "lesson-42"


class Loop:
    """Runs what it is given at once, as the loop of a server would soon."""

    @staticmethod
    def add_callback(function, *arguments):
        function(*arguments)


@pytest.fixture(params=[1, 2], ids=["one process", "several"])
def room(request):
    made = make_room(CODE, ("",), request.param)
    yield made
    if isinstance(made, SharedRoom):
        made.close()


def test_changes_reach_whoever_watches(room):
    came, got = threading.Event(), []

    def deliver(changed):
        got.append(changed)
        if "scene" in changed and changed["scene"][1]["scene"]:
            came.set()

    room.watch(Loop, deliver)
    room.call("enter", "p", room.worker)
    room.call("open", "p", CODE)
    room.call("show", "p", {"path": "", "query": "v_upper=5mV"})
    assert came.wait(20)
    assert got[-1]["scene"][1]["scene"] == {"path": "", "query": "v_upper=5mV"}
    assert room.look({"desk": 0})["desk"][1]["following"] == 0


def test_refusals_come_through_as_sentences(room):
    room.call("enter", "p", "w")
    with pytest.raises(QuantityError, match="not the code"):
        room.call("open", "p", "guess-guess")
    with pytest.raises(QuantityError, match="Only the presenter"):
        room.call("end", "p")


@pytest.mark.parametrize("name", ["_clear", "snapshot", "__init__", "look"])
def test_only_actions_can_be_called(room, name):
    with pytest.raises(ValueError, match="no action"):
        room.call(name, "p")


def test_one_process_needs_no_manager():
    assert isinstance(make_room(CODE, ("",), 1), OwnRoom)
