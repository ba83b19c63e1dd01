"""The class room: one presenter, those who follow, and what they answer. Rules, no transport.

A room is a door (`door`), the people in it (`people`), what they are led through (`stage`) and what
they are asked (`asking`). `Room.call` is the one way in: `ACTIONS` says who may do what, and which
part does it. `Room.look` is the one way out: parts that changed, for whoever wants them. All data
that comes in is checked; each refusal is a `QuantityError` whose text can be shown as it is.
"""

import time

from forktail.classroom.asking import Asking
from forktail.classroom.door import TAKEN_OVER, Door
from forktail.classroom.people import People
from forktail.classroom.stage import Stage
from forktail.core.checks import QuantityError

#: What followers need at once; the rest is for the presenter and the screen, and can wait.
HOT, COOL = ("driver", "scene", "pointer", "room"), ("tally", "desk", "snapshot")


class Room:
    """State and rules of the one room of a server.

    Parameters
    ----------
    code : str
        What a presenter must know.
    paths : tuple of str
        Pages that can be shown, relative to the app: "", "signals" ...
    clock : callable
        Seconds, for tests.
    """

    def __init__(self, code, paths=("",), clock=time.monotonic):
        self.paths = tuple(paths)
        self.door, self.people = Door(code, clock), People(clock)
        self.stage, self.asking = Stage(self.paths), Asking(self.paths)
        self.version, self.at = 1, dict.fromkeys(HOT + COOL, 1)

    def call(self, action, connection, *given):
        """Do one of `ACTIONS` for a connection.

        Returns
        -------
        dict or None
            The answer to whoever asked for it.

        Raises
        ------
        QuantityError
            Why it is not done.
        ValueError
            If there is no such action.
        """
        if action not in ACTIONS:
            raise ValueError(f"{action} is no action of the room")
        return ACTIONS[action](self, connection, *given)

    def touch(self, *parts):
        """Note that parts have changed."""
        self.version += bool(parts)
        self.at |= dict.fromkeys(parts, self.version)

    # ---- who is there

    def enter(self, connection, worker, address=""):
        """A connection was made, from an address; it has no rights yet."""
        self.people.enter(connection, worker, address)
        self.heard(worker)

    def leave(self, connection):
        """A connection is gone; a seat and its answers stay."""
        self.door.attempts.forget(connection)
        role = self.people.leave(connection)
        if role not in ("", "visitor"):
            self.touch("desk", "tally", *(["room"] if role == "presenter" else []))

    def heard(self, worker):
        """A worker process is alive; those silent for too long are struck off."""
        for name in self.people.silent_since(worker):
            self.leave(name)

    def join(self, connection, token="", follows=True, role="learner"):
        """Take a seat, or the seat that the token stands for; `role` may be `screen`.

        Returns
        -------
        dict
            `token` to come back with, and `answers` given so far to the present question.
        """
        here = self.people.of(connection)
        token = self.people.seat(here, token, follows, role)
        self.touch("desk", "tally")
        return {"kind": "you", "token": token, **self.asking.given(here.seat)}

    def follow(self, connection, follows):
        """A learner steps off to explore, or back."""
        here = self.people.of(connection)
        here.must_learn()
        if here.follows != bool(follows):
            here.follows = bool(follows)
            self.touch("desk")

    def answer(self, connection, question, asking, choice):
        """Take a learner's answer to the present question; it counts once and stays."""
        here = self.people.of(connection)
        here.must_learn()
        self.asking.answer(here.seat, question, asking, choice)
        self.touch("desk", "tally", "snapshot")
        return {"kind": "you", **self.asking.given(here.seat)}

    # ---- who presents

    def wait(self, connection):
        """Seconds that a code of this connection has to wait until it is looked at."""
        return self.door.attempts.wait(self.people.of(connection).address)

    def open(self, connection, code, snapshot=None):
        """Open the room, or take it over, with the code.

        Parameters
        ----------
        snapshot : dict, optional
            From `snapshot` of an earlier server; used only if this room was not opened yet.

        Returns
        -------
        dict
            `key`, with which this browser presents from now on, `recovered`, and `text`: why a
            snapshot could not be used.
        """
        here = self.people.of(connection)
        self.door.try_code(here, code)
        recovered, text = bool(snapshot) and not self.door.opened, ""
        if recovered:
            try:
                self.restore(snapshot)
            except QuantityError as error:  # the lesson goes on without it
                recovered, text = False, str(error)
        self.door.open()
        self.people.lead(here)
        self.touch(*HOT, *COOL)
        return {"kind": "key", "key": self.door.key, "recovered": recovered, "text": text}

    def present(self, connection, key):
        """Come back as the presenter with the key of this browser, after a page change.

        Returns
        -------
        dict
            `state`: `driving`, `former` (somebody else drives) or `closed`.
        """
        here = self.people.of(connection)
        if not self.door.opened:
            return {"kind": "present", "state": "closed"}
        if not self.door.fits(key):
            here.role = "former"
            return {"kind": "present", "state": "former", "text": TAKEN_OVER}
        away = self.people.away()
        here.role = "presenter"
        self.touch("desk", "tally", "snapshot", *(["room"] if away else []))
        return {"kind": "present", "state": "driving"}

    def end(self, connection):
        """End the lesson: the room closes and everything in it is forgotten."""
        self.people.of(connection).must_present()
        self.people.nobody_leads()
        self.door.close()
        self.stage, self.asking = Stage(self.paths), Asking(self.paths)
        self.touch(*HOT, *COOL)

    def results(self, connection):
        """Anonymous results of all questions as comma-separated text."""
        self.people.of(connection).must_present()
        return {"kind": "results", "text": self.asking.results()}

    # ---- what is sent out

    def look(self, seen):
        """Parts that changed.

        Parameters
        ----------
        seen : dict of str to int
            Part -> version last seen; parts that are not named are not looked at.

        Returns
        -------
        dict of str to (int, dict)
            Part -> (version, what to send).
        """
        return {
            part: (self.at[part], {"kind": part, **VIEWS[part](self)})
            for part, version in seen.items()
            if self.at[part] > version
        }

    def newer(self, seen):
        """Whether `look` would return anything."""
        return any(self.at[part] > version for part, version in seen.items())

    # ---- what outlives a server

    def snapshot(self):
        """All that a restarted server needs; the presenter's browser keeps it."""
        return {**self.stage.snapshot(), **self.asking.snapshot()}

    def restore(self, data):
        """Take over a snapshot, all of it or nothing."""
        try:
            stage, asking = Stage.restore(data, self.paths), Asking.restore(data, self.paths)
        except (TypeError, ValueError, AttributeError) as error:
            said = f" ({error})" if isinstance(error, QuantityError) else ""
            raise QuantityError(
                f"What this browser kept of the room cannot be read{said}; the room starts empty."
            ) from None
        self.stage, self.asking = stage, asking


def _view_room(room):
    question = room.asking.question
    return {
        "open": room.door.opened,
        "away": room.door.opened and room.people.away(),
        "frozen": room.stage.frozen,
        "veil": room.stage.veil,
        "question": question.for_learners() if question else None,
    }


def _view_tally(room):
    question = room.asking.question
    return {
        # who answered and has left counts as one of those who could answer
        "seats": len(room.people.seats() | set(question.rounds[-1] if question else ())),
        "answered": len(question.rounds[-1]) if question else 0,
    }


def _view_desk(room):
    question = room.asking.question
    return {
        **room.people.counts(),
        "frozen": room.stage.frozen,
        "veil": room.stage.veil,
        "scenes": room.stage.scenes,
        "index": room.stage.index,
        "asked": bool(room.asking.history) or question is not None,
        "question": question.for_presenter() if question else None,
    }


#: Part -> function of the room that says what is sent of it.
VIEWS = {
    "driver": lambda room: {},
    "scene": lambda room: {"scene": room.stage.scene},
    "pointer": lambda room: {"spot": room.stage.pointer},
    "room": _view_room,
    "tally": _view_tally,
    "desk": _view_desk,
    "snapshot": lambda room: {"snapshot": room.snapshot()},
}


def _led(part, method):
    """An action of the presenter alone: a method of the stage or of the questions."""

    def act(room, connection, *given):
        room.people.of(connection).must_present()
        room.touch(*getattr(getattr(room, part), method)(*given))

    return act


#: What may be called from outside, by whoever holds a connection.
ACTIONS = {
    "enter": Room.enter,
    "leave": Room.leave,
    "join": Room.join,
    "follow": Room.follow,
    "answer": Room.answer,
    "wait": Room.wait,
    "open": Room.open,
    "present": Room.present,
    "end": Room.end,
    "results": Room.results,
    "show": _led("stage", "show"),
    "point": _led("stage", "point"),
    "freeze": _led("stage", "freeze"),
    "hide": _led("stage", "hide"),
    "prepare": _led("stage", "prepare"),
    "step": _led("stage", "step"),
    "ask": _led("asking", "ask"),
    "close": _led("asking", "close"),
    "reveal": _led("asking", "reveal"),
    "again": _led("asking", "again"),
    "done": _led("asking", "done"),
}
