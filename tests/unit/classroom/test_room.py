"""The rules of the class room: who may do what, what is sent to whom, limits and recovery."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forktail.classroom.door import CODE_SIGNS, check_code, folded, make_code
from forktail.classroom.people import MAX_CONNECTIONS, WORKER_SILENCE, seat_of
from forktail.classroom.room import COOL, HOT, Room
from forktail.classroom.stage import MAX_SCENES
from forktail.core.checks import QuantityError
from forktail.limits import Bucket
from forktail.ui.state import MAX_QUERY

CODE = "lesson-42"
PATHS = ("", "signals", "lesson")
QUESTION = {
    "text": "Tail current: from 2 mA to 4 mA?",
    "choices": ["grows", "shrinks", "stays"],
    "right": 0,
    "why": "It doubles.",
    "after": {"path": "", "query": "i_tail=4mA"},
}


class Clock:
    def __init__(self):
        self.now = 100.0

    def __call__(self):
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def room(clock):
    """A room that `p` presents, with learners `a` and `b`."""
    room = Room(CODE, PATHS, clock)
    for name in "pab":
        room.call("enter", name, "w")
    room.call("open", "p", CODE)
    room.tokens = {name: room.call("join", name)["token"] for name in "ab"}
    return room


def part(room, name):
    return room.look({name: 0})[name][1]


def refused(call, *args):
    with pytest.raises(QuantityError) as caught:
        call(*args)
    return str(caught.value)


# ---- the code


def test_made_codes_differ_and_avoid_signs_that_are_read_for_others():
    codes = {make_code() for _ in range(200)}
    assert len(codes) == 200
    assert all(set(c) <= set(CODE_SIGNS + "-") and not set(c) & set("01iloO") for c in codes)
    assert all(check_code(c) == c for c in codes)


@pytest.mark.parametrize("code", ["", "abc", "ab-cd-e", "------", "x" * 65, "tab\tin code"])
def test_unfit_code_is_refused(code):
    assert "at least 6 letters and digits" in refused(check_code, code)


@pytest.mark.parametrize(
    "typed",
    ["lesson-42", "LESSON-42", "lesson42", " Lesson 42 ", "lesson\u201342", "\uff4cesson-42"],
)
def test_a_code_may_be_typed_in_capitals_and_without_its_dash(typed):
    room = Room(CODE, PATHS)
    room.call("enter", "x", "w")
    assert room.call("open", "x", typed)["key"]


def test_wrong_code_is_refused_five_times_then_not_even_the_right_one_is_taken():
    room = Room(CODE, PATHS)
    room.call("enter", "x", "w")
    for left in ("4 more tries", "3 more", "2 more", "1 more try.", "No more tries"):
        assert left in refused(room.call, "open", "x", "lesson-43")
    assert "5 wrong codes were tried from this page" in refused(room.call, "open", "x", CODE)
    room.call("enter", "y", "w")
    assert room.call("open", "y", CODE)["key"]


def guess(room, name, address, tries=5):
    room.call("enter", name, "w", address)
    for _ in range(tries):
        refused(room.call, "open", name, "guess-guess")
    room.call("leave", name)


def test_guessing_from_one_address_slows_down_and_locks_nobody_out(room, clock):
    """Six pages with five wrong codes each, which a student can open in a minute."""
    for n in range(6):
        guess(room, f"x{n}", "10.0.0.7")
    room.call("enter", "t", "w", "10.0.0.1")
    assert room.call("wait", "t") == 0.0 and room.call("open", "t", CODE)["key"]
    room.call("enter", "beside", "w", "10.0.0.7")  # a teacher behind the same address
    assert room.call("wait", "beside") == 5.0
    assert room.call("open", "beside", CODE)["key"]
    clock.now += 61
    assert room.call("wait", "beside") == 0.0
    kept = json.dumps([vars(c) for c in room.people.connections.values()])
    assert "10.0.0" not in kept and not room.door.attempts.times


def test_a_few_wrong_codes_make_nobody_wait(room):
    for n in range(3):
        guess(room, f"x{n}", "10.0.0.7")
    room.call("enter", "t", "w", "10.0.0.7")
    assert room.call("wait", "t") == 0.0


@given(st.text(max_size=40).filter(lambda t: folded(t) != folded(CODE)))
def test_no_other_text_opens_the_room(text):
    room = Room(CODE, PATHS)
    room.call("enter", "x", "w")
    refused(room.call, "open", "x", text)
    assert not room.door.opened


# ---- who drives


DRIVES = [
    ("show", {"path": "", "query": ""}),
    ("point", None),
    ("freeze", True),
    ("hide", True),
    ("prepare", []),
    ("step", 0),
    ("ask", QUESTION),
    ("close",),
    ("reveal",),
    ("again",),
    ("done",),
    ("results",),
    ("end",),
]


@pytest.mark.parametrize("action", DRIVES, ids=[a[0] for a in DRIVES])
def test_a_learner_and_a_visitor_cannot_drive(room, action):
    room.call("enter", "v", "w")
    for name in "av":
        assert "Only the presenter" in refused(room.call, action[0], name, *action[1:])


def test_newest_presenter_drives_and_the_earlier_one_is_told_and_can_take_over(room):
    room.call("enter", "q", "w")
    first = room.door.key
    room.call("open", "q", CODE)
    assert "Another presenter" in refused(room.call, "show", "p", {"path": "", "query": ""})
    assert room.call("present", "p", first)["state"] == "former"
    room.call("show", "q", {"path": "", "query": "v_upper=5mV"})
    room.call("open", "p", CODE)
    room.call("show", "p", {"path": "", "query": ""})
    assert "Another presenter" in refused(room.call, "freeze", "q", True)


def test_presenter_comes_back_with_the_key_after_a_page_change(room):
    key = room.door.key
    room.call("leave", "p")
    assert part(room, "room")["away"]
    room.call("enter", "p2", "w")
    assert room.call("present", "p2", key) == {"kind": "present", "state": "driving"}
    assert not part(room, "room")["away"]
    room.call("enter", "x", "w")
    assert room.call("present", "x", "0" * 32)["state"] == "former"
    assert "drives now" in refused(room.call, "freeze", "x", True)


def test_ending_forgets_everything(room):
    room.call("ask", "p", QUESTION)
    room.call("answer", "a", 1, 1, 0)
    room.call("end", "p")
    kept = json.dumps([room.snapshot(), {p: part(room, p) for p in HOT + COOL}])
    assert not room.door.opened and seat_of(room.tokens["a"]) not in kept and "2 mA" not in kept


# ---- scenes


def test_late_join_gets_the_present_scene_and_holding_keeps_it(room):
    room.call("show", "p", {"path": "", "query": "?v_upper=5mV"})
    assert part(room, "scene")["scene"] == {"path": "", "query": "v_upper=5mV"}
    room.call("freeze", "p", True)
    room.call("show", "p", {"path": "signals", "query": ""})
    assert part(room, "scene")["scene"]["query"] == "v_upper=5mV"
    room.call("freeze", "p", False)
    assert part(room, "scene")["scene"] == {"path": "signals", "query": ""}


def test_only_what_changed_is_looked_at(room):
    seen = {p: v for p, (v, _) in room.look(dict.fromkeys(HOT, 0)).items()}
    assert room.look(seen) == {} and not room.newer(seen)
    room.call("show", "p", {"path": "", "query": "v_upper=5mV"})
    assert list(room.look(seen)) == ["scene"] and room.newer(seen)
    seen["scene"] = room.at["scene"]
    room.call("show", "p", {"path": "", "query": "v_upper=5mV"})
    assert room.look(seen) == {}


@pytest.mark.parametrize(
    "scene, said",
    [
        ({"path": "../admin", "query": ""}, "cannot be shown"),
        ({"path": "https://elsewhere.example/", "query": ""}, "cannot be shown"),
        ({"path": "", "query": "x" * (MAX_QUERY + 1)}, f"at most {MAX_QUERY}"),
        ({"path": "", "query": "", "inner": "x" * (MAX_QUERY + 1)}, f"at most {MAX_QUERY}"),
        ({"query": ""}, "a path and a query"),
        ("steer", "a path and a query"),
    ],
)
def test_scene_that_cannot_be_shown_is_refused(room, scene, said):
    assert said in refused(room.call, "show", "p", scene)


@pytest.mark.parametrize(
    "spot",
    [
        {"at": "0"},
        {"at": "0", "x": "far", "y": 0},
        "here",
        {"at": "0", "x": float("nan"), "y": 0},
        {"at": "0", "x": float("inf"), "y": 0},
    ],
)
def test_pointer_place_must_be_a_place(room, spot):
    assert "cannot be read" in refused(room.call, "point", "p", spot)


def test_steps_stay_in_the_list(room):
    scenes = [
        {"title": "One", "path": "", "query": ""},
        {"title": "Two", "path": "signals", "query": ""},
    ]
    room.call("prepare", "p", scenes)
    room.call("step", "p", 1)
    assert part(room, "desk")["index"] == 1
    assert "no scene" in refused(room.call, "step", "p", 2)
    assert "at most" in refused(room.call, "prepare", "p", scenes * MAX_SCENES)


# ---- people


def test_followers_are_counted_by_seat(room):
    room.call("enter", "a2", "w")
    room.call("join", "a2", room.tokens["a"])  # a second tab of the same browser
    assert part(room, "desk")["following"] == 2
    room.call("follow", "b", False)
    desk = part(room, "desk")
    assert (desk["following"], desk["exploring"]) == (1, 1)
    room.call("enter", "s", "w")
    room.call("join", "s", "", True, "screen")
    assert part(room, "desk")["screens"] == 1
    assert "Join the room first" in refused(room.call, "answer", "s", 1, 1, 0)


def test_room_is_bounded_and_a_silent_worker_is_struck_off(room, clock):
    for n in range(MAX_CONNECTIONS - 3):
        room.call("enter", f"x{n}", "other")
    assert "is full" in refused(room.call, "enter", "one more", "w")
    clock.now += WORKER_SILENCE + 1
    room.heard("w")
    assert set(room.people.connections) == {"p", "a", "b"} or "w" not in room.workers
    room.call("enter", "one more", "w")


def test_made_up_tokens_are_replaced(room):
    for token in ("", "abc", None, 7, "g" * 32, "<script>" * 4, ["0" * 32]):
        room.call("enter", "z", "w")
        given_back = room.call("join", "z", token)["token"]
        assert len(given_back) == 32 and given_back != token
        room.call("leave", "z")


# ---- predictions


def test_an_answer_counts_once_and_stays(room):
    room.call("ask", "p", QUESTION)
    assert room.call("answer", "a", 1, 1, 2)["answers"] == [2]
    assert "already in" in refused(room.call, "answer", "a", 1, 1, 0)
    room.call("enter", "a2", "w")
    assert room.call("join", "a2", room.tokens["a"])["answers"] == [2]
    assert "already in" in refused(room.call, "answer", "a2", 1, 1, 0)
    assert part(room, "tally")["answered"] == 1


def test_who_answered_and_left_is_still_one_of_those_asked(room):
    room.call("ask", "p", QUESTION)
    room.call("answer", "a", 1, 1, 2)
    room.call("answer", "b", 1, 1, 0)
    room.call("leave", "a")
    tally = part(room, "tally")
    assert (tally["answered"], tally["seats"]) == (2, 2)
    assert part(room, "desk")["following"] == 1


def test_an_open_question_is_replaced_only_on_purpose(room):
    room.call("ask", "p", QUESTION)
    room.call("answer", "a", 1, 1, 2)
    assert "Question 1 is still open" in refused(room.call, "ask", "p", QUESTION)
    assert "still open" in refused(room.call, "ask", "p", {**QUESTION, "instead": 7})
    assert part(room, "tally")["answered"] == 1
    room.call("ask", "p", {**QUESTION, "instead": 1})
    assert part(room, "room")["question"]["id"] == 2
    room.call("close", "p")
    room.call("ask", "p", QUESTION)
    assert ",It doubles" not in room.call("results", "p")["text"]
    assert len(room.call("results", "p")["text"].splitlines()) == 1 + 3


@pytest.mark.parametrize("choice", [-1, 3, True, "0", None, 0.0])
def test_an_answer_must_be_one_of_the_choices(room, choice):
    room.call("ask", "p", QUESTION)
    assert "Pick one" in refused(room.call, "answer", "a", 1, 1, choice)


def test_answers_to_a_former_question_or_a_closed_one_are_refused(room):
    assert "is over" in refused(room.call, "answer", "a", 1, 1, 0)
    room.call("ask", "p", QUESTION)
    room.call("close", "p")
    assert "closed" in refused(room.call, "answer", "a", 1, 1, 0)
    room.call("again", "p")
    assert "is over" in refused(room.call, "answer", "a", 1, 1, 0)
    room.call("answer", "a", 1, 2, 0)


def test_learners_never_get_counts_or_the_right_choice_before_they_are_shown(room):
    room.call("ask", "p", QUESTION)
    room.call("answer", "a", 1, 1, 1)
    for _ in range(2):
        told = part(room, "room")["question"]
        assert set(told) == {"id", "round", "text", "choices", "phase", "lesson"}
        assert not {"right", "counts", "why"} & set(json.dumps(part(room, "tally")).split('"'))
        room.call("close", "p")
    room.call("reveal", "p")
    told = part(room, "room")["question"]
    assert (told["right"], told["counts"], told["why"]) == (0, [[0, 1, 0]], "It doubles.")
    assert seat_of(room.tokens["a"]) not in json.dumps(told)


@pytest.mark.parametrize("hide, while_open", [(True, []), (False, [[0, 1, 0]])])
def test_presenter_sees_counts_as_they_come_unless_they_are_to_be_hidden(room, hide, while_open):
    room.call("ask", "p", {**QUESTION, "hide": hide})
    room.call("answer", "a", 1, 1, 1)
    assert part(room, "desk")["question"]["counts"] == while_open
    assert part(room, "desk")["question"]["answered"] == 1
    room.call("close", "p")
    assert part(room, "desk")["question"]["counts"] == [[0, 1, 0]]


def test_shift_counts_those_who_answered_both_times(room):
    for name in "cde":
        room.call("enter", name, "w")
        room.call("join", name)
    room.call("ask", "p", QUESTION)
    for name, choice in zip("abcd", (0, 1, 1, 0)):
        room.call("answer", name, 1, 1, choice)
    assert "Close the question" in refused(room.call, "again", "p")
    room.call("close", "p")
    room.call("again", "p")
    for name, choice in zip("abce", (0, 0, 2, 0)):
        room.call("answer", name, 1, 2, choice)
    room.call("reveal", "p")
    shift = part(room, "room")["question"]["shift"]
    assert shift == {"both": 3, "right_before": 1, "right_now": 2, "to_right": 1, "from_right": 0}


def test_results_are_counts_without_seats_and_outlive_the_question(room):
    room.call("ask", "p", {**QUESTION, "text": "=SUM(A1)"})
    room.call("answer", "a", 1, 1, 0)
    room.call("answer", "b", 1, 1, 1)
    room.call("close", "p")
    room.call("again", "p")
    room.call("answer", "b", 1, 2, 0)
    room.call("done", "p")
    room.call("ask", "p", QUESTION)  # open: not in the results yet
    text = room.call("results", "p")["text"]
    assert text.splitlines()[0].startswith("question,question_text,asking")
    assert "1,'=SUM(A1),1,,A,grows,yes,1" in text.splitlines()
    assert "1,'=SUM(A1),2,B,A,grows,yes,1" in text.splitlines()
    assert all(seat_of(t) not in text and t not in text for t in room.tokens.values())
    assert "2 mA" not in text


# ---- recovery


def snapshot_of(room):
    return json.loads(json.dumps(room.snapshot()))


def test_restarted_server_recovers_the_room_from_the_presenters_browser(room):
    room.call("show", "p", {"path": "", "query": "v_upper=5mV"})
    room.call("prepare", "p", [{"title": "One", "path": "", "query": ""}])
    room.call("step", "p", 0)
    room.call("ask", "p", QUESTION)
    room.call("answer", "a", 1, 1, 2)
    kept = snapshot_of(room)
    assert room.tokens["a"] not in json.dumps(kept)

    other = Room(CODE, PATHS)
    other.call("enter", "a", "w")
    other.call("join", "a", room.tokens["a"])  # learners are back before the presenter
    other.call("enter", "p", "w")
    assert other.call("open", "p", CODE, kept)["recovered"]
    assert snapshot_of(other) == kept
    assert other.call("join", "a", room.tokens["a"])["answers"] == [2]
    assert "already in" in refused(other.call, "answer", "a", 1, 1, 0)


def test_snapshot_does_not_replace_a_room_that_is_open(room):
    kept = snapshot_of(room)
    room.call("show", "p", {"path": "signals", "query": ""})
    room.call("enter", "q", "w")
    assert not room.call("open", "q", CODE, kept)["recovered"]
    assert part(room, "scene")["scene"]["path"] == "signals"


@pytest.mark.parametrize(
    "change",
    [
        {"question": {"id": 1}},
        {"question": 5},
        {"scenes": [{"path": "nowhere", "query": ""}]},
        {"history": [[1, 2]]},
        {"history": 3},
        {"index": "one"},
        {"scene": {"path": "nowhere"}},
        {
            "question": {
                "id": 1,
                "text": "",
                "choices": ["a"],
                "right": 0,
                "why": "",
                "after": None,
                "hide": True,
                "phase": "open",
                "rounds": [{}],
            }
        },
        {
            "question": {
                "id": 1,
                "text": "",
                "choices": ["a", "b"],
                "right": 0,
                "why": "",
                "after": None,
                "hide": True,
                "phase": "open",
                "rounds": [{"seat": 9}],
            }
        },
    ],
)
def test_damaged_snapshot_opens_an_empty_room_and_is_told(room, change):
    other = Room(CODE, PATHS)
    other.call("enter", "p", "w")
    answer = other.call("open", "p", CODE, {**snapshot_of(room), **change})
    assert not answer["recovered"] and "cannot be read" in answer["text"]
    assert snapshot_of(other) == snapshot_of(Room(CODE, PATHS))


def test_bucket_lets_a_burst_pass_then_the_rate(clock):
    bucket = Bucket(5.0, 3, clock)
    assert [bucket.take() for _ in range(5)] == [True, True, True, False, False]
    assert bucket.refused == 2
    clock.now += 0.2
    assert bucket.take() and not bucket.take()
