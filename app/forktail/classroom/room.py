"""The class room: one presenter, those who follow, and what they answer. Rules, no transport.

A scene travels as a path and the query text of the page's state, never as a picture. A learner is
a *seat*: the hash of a random token that only the learner's browser holds. No name, address or
token is kept. All data that comes in is checked here; each refusal is a `QuantityError` whose
text can be shown as it is.
"""

import hashlib
import hmac
import re
import secrets
import time
from dataclasses import dataclass

from forktail.classroom.question import MAX_CHOICES, MAX_TEXT, Question, results_csv
from forktail.core.checks import QuantityError
from forktail.limits import Attempts
from forktail.ui.state import MAX_QUERY

MAX_CONNECTIONS, MAX_SCENES, MAX_HISTORY, MAX_SEATS = 600, 100, 100, 2000
#: A worker process that has not been heard of for so long, s, is gone with all its connections.
WORKER_SILENCE = 60.0
#: What followers need at once; the rest is for the presenter and the screen, and can wait.
HOT, COOL = ("driver", "scene", "pointer", "room"), ("tally", "desk", "snapshot")
#: Signs of a generated code: none that is read for another.
CODE_SIGNS = "abcdefghjkmnpqrstuvwxyz23456789"
MIN_CODE, MAX_CODE = 6, 64

TAKEN_OVER = (
    "Another presenter opened the room with the code and drives now. "
    "You drive again when you press Take over."
)
RULE = (
    "Whoever opened the room last drives. An earlier presenter is told so, and drives again "
    "with one press of Take over."
)


def make_code():
    """A fresh room code, such as `k7mf-p2xq`."""

    def pick():
        return "".join(secrets.choice(CODE_SIGNS) for _ in range(4))

    return f"{pick()}-{pick()}"


def check_code(code):
    """Return a code fit for use, or raise QuantityError."""
    code = str(code).strip()
    if not MIN_CODE <= len(code) <= MAX_CODE or not code.isprintable():
        raise QuantityError(
            f"a room code has {MIN_CODE} to {MAX_CODE} signs; '{code[:20]}' has {len(code)}."
        )
    return code


def seat_of(token):
    """The seat that a token stands for."""
    return hashlib.blake2b(token.encode(), digest_size=9).hexdigest()


@dataclass
class Connection:
    """One open connection: its role, and for a learner the seat and whether it follows."""

    worker: str
    role: str = "visitor"
    seat: str = ""
    follows: bool = True


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
        self.code, self.paths, self.clock = check_code(code), tuple(paths), clock
        self.attempts = Attempts(clock)
        self.connections, self.workers = {}, {}
        self.version, self.at = 1, dict.fromkeys(HOT + COOL, 1)
        self._clear()

    def _clear(self):
        self.opened, self.key = False, ""
        self.scene = self.live = self.pointer = self.question = None
        self.frozen = self.veil = False
        self.scenes, self.index, self.history, self.asked = [], -1, [], 0

    def _touch(self, *parts):
        self.version += 1
        for part in parts:
            self.at[part] = self.version

    # ---- who is there

    def enter(self, connection, worker):
        """A connection was made; it has no rights yet."""
        if len(self.connections) >= MAX_CONNECTIONS:
            raise QuantityError(f"The room holds {MAX_CONNECTIONS} connections and is full.")
        self.connections[connection] = Connection(worker)
        self.heard(worker)

    def leave(self, connection):
        """A connection is gone; a seat and its answers stay."""
        self.attempts.forget(connection)
        gone = self.connections.pop(connection, None)
        if gone is not None and gone.role != "visitor":
            self._touch("desk", "tally", *(["room"] if gone.role == "presenter" else []))

    def heard(self, worker):
        """A worker process is alive; those silent for too long are struck off."""
        now = self.clock()
        self.workers[worker] = now
        for name in [w for w, t in self.workers.items() if now - t > WORKER_SILENCE]:
            del self.workers[name]
            for key in [k for k, c in self.connections.items() if c.worker == name]:
                self.leave(key)

    def join(self, connection, token="", follows=True, role="learner"):
        """Take a seat, or the seat that the token stands for; `role` may be `screen`.

        Returns
        -------
        dict
            `token` to come back with, and `answers` given so far to the present question.
        """
        here = self._here(connection)
        if here.role in ("presenter", "former"):
            raise QuantityError("This window presents, so it does not take a seat.")
        if not isinstance(token, str) or not re.fullmatch(r"[0-9a-f]{32}", token):
            token = secrets.token_hex(16)
        here.role = "screen" if role == "screen" else "learner"
        here.seat, here.follows = seat_of(token), bool(follows)
        self._touch("desk", "tally")
        return {"kind": "you", "token": token, **self._given(here.seat)}

    def follow(self, connection, follows):
        """A learner steps off to explore, or back."""
        here = self._learner(connection)
        if here.follows != bool(follows):
            here.follows = bool(follows)
            self._touch("desk")

    def answer(self, connection, question, asking, choice):
        """Take a learner's answer to the present question; it counts once and stays."""
        seat = self._learner(connection).seat
        now = self.question
        if now is None or now.id != question or len(now.rounds) != asking:
            raise QuantityError("That question is over.")
        if len(now.rounds[-1]) >= MAX_SEATS:
            raise QuantityError(f"The room has taken {MAX_SEATS} answers, and takes no more.")
        now.answer(seat, choice)
        self._touch("desk", "tally", "snapshot")
        return {"kind": "you", **self._given(seat)}

    def _given(self, seat):
        if self.question is None:
            return {"question": 0, "answers": []}
        return {
            "question": self.question.id,
            "answers": [given.get(seat) for given in self.question.rounds],
        }

    def _here(self, connection):
        if connection not in self.connections:
            raise QuantityError("This connection has ended; load the page again.")
        return self.connections[connection]

    def _learner(self, connection):
        here = self._here(connection)
        if here.role != "learner":
            raise QuantityError("Join the room first.")
        return here

    # ---- who presents

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
        here = self._here(connection)
        refused = self.attempts.refusal(connection)
        if refused:
            raise QuantityError(refused)
        if not hmac.compare_digest(str(code).strip().encode(), self.code.encode()):
            left = self.attempts.miss(connection)
            raise QuantityError(
                "That is not the code of this room. "
                + (
                    f"{left} more {'try' if left == 1 else 'tries'}."
                    if left
                    else "No more tries from here."
                )
            )
        recovered, text = bool(snapshot) and not self.opened, ""
        if recovered:
            try:
                self._recover(snapshot)
            except QuantityError as error:  # the lesson goes on without it
                recovered, text = False, str(error)
        for other in self.connections.values():
            if other.role == "presenter":
                other.role = "former"
        self.opened, self.key = True, secrets.token_hex(16)
        here.role = "presenter"
        self._touch(*HOT, *COOL)
        return {"kind": "key", "key": self.key, "recovered": recovered, "text": text}

    def present(self, connection, key):
        """Come back as the presenter with the key of this browser, after a page change.

        Returns
        -------
        dict
            `state`: `driving`, `former` (somebody else drives) or `closed`.
        """
        here = self._here(connection)
        if not self.opened:
            return {"kind": "present", "state": "closed"}
        if not hmac.compare_digest(str(key).encode(), self.key.encode()):
            here.role = "former"
            return {"kind": "present", "state": "former", "text": TAKEN_OVER}
        away = self._away()
        here.role = "presenter"
        self._touch("desk", "tally", "snapshot", *(["room"] if away else []))
        return {"kind": "present", "state": "driving"}

    def end(self, connection):
        """End the lesson: the room closes and everything in it is forgotten."""
        self._driver(connection)
        for other in self.connections.values():
            if other.role in ("presenter", "former"):
                other.role = "visitor"
        self._clear()
        self._touch(*HOT, *COOL)

    def _driver(self, connection):
        here = self._here(connection)
        if here.role == "former":
            raise QuantityError(TAKEN_OVER)
        if here.role != "presenter":
            raise QuantityError("Only the presenter can do that.")

    def _away(self):
        return not any(c.role == "presenter" for c in self.connections.values())

    # ---- what the presenter does

    def show(self, connection, scene):
        """The presenter's page shows a scene.

        Parameters
        ----------
        scene : dict
            `path` and `query` of the page, and `inner`: the scene inside a lesson.
        """
        self._driver(connection)
        self.live = self._scene(scene)
        if not self.frozen and self.live != self.scene:
            if self.scene is None or self.scene["path"] != self.live["path"]:
                self.pointer = None
            self.scene = self.live
            self._touch("scene")

    def point(self, connection, spot):
        """Move the pointer to `spot` (a place in the page), or take it away with None."""
        self._driver(connection)
        if spot is not None:
            try:
                spot = {
                    "at": str(spot["at"])[:200],
                    "svg": bool(spot.get("svg")),
                    "x": round(float(spot["x"]), 4),
                    "y": round(float(spot["y"]), 4),
                }
            except (KeyError, TypeError, ValueError, AttributeError):
                raise QuantityError("The place of the pointer cannot be read.") from None
            if not all(abs(spot[k]) < 1e5 for k in "xy"):
                raise QuantityError("The place of the pointer cannot be read.")
        if spot != self.pointer:
            self.pointer = spot
            self._touch("pointer")

    def freeze(self, connection, on):
        """Hold the learners' screens while the presenter moves on; letting go catches up."""
        self._driver(connection)
        self.frozen = bool(on)
        parts = ["room", "desk", "snapshot"]
        if not self.frozen and self.live != self.scene:
            self.scene = self.live
            parts.append("scene")
        self._touch(*parts)

    def hide(self, connection, on):
        """Cover the values on all screens, or show them again."""
        self._driver(connection)
        self.veil = bool(on)
        self._touch("room", "desk", "snapshot")

    def prepare(self, connection, scenes):
        """Set the list of scenes that the presenter steps through."""
        self._driver(connection)
        self.scenes, self.index = self._scene_list(scenes), -1
        self._touch("desk", "snapshot")

    def step(self, connection, index):
        """The presenter went to scene `index` of the list."""
        self._driver(connection)
        if not isinstance(index, int) or not 0 <= index < len(self.scenes):
            raise QuantityError(
                f"There is no scene {index + 1 if isinstance(index, int) else ''}"
                f" in the list; it holds {len(self.scenes)}."
            )
        self.index = index
        self._touch("desk", "snapshot")

    def ask(self, connection, question):
        """Put a question: a dict with `text`, `choices`, `right`, `why`, `after`, `hide`."""
        self._driver(connection)
        self._finish()
        self.asked += 1
        choices = tuple(str(c)[:MAX_TEXT] for c in question["choices"])
        if not 2 <= len(choices) <= MAX_CHOICES or question["right"] not in range(len(choices)):
            raise QuantityError(f"A question has 2 to {MAX_CHOICES} choices, one of them right.")
        self.question = Question(
            self.asked,
            str(question["text"])[:MAX_TEXT],
            choices,
            int(question["right"]),
            str(question.get("why", ""))[:MAX_TEXT],
            self._scene(question.get("after")),
            bool(question.get("hide", True)),
        )
        self._touch("room", "desk", "tally", "snapshot")

    def close(self, connection):
        """Take no more answers."""
        self._question(connection).phase = "closed"
        self._touch("room", "desk", "snapshot")

    def reveal(self, connection):
        """Show the right answer and the counts to everybody; takes no more answers."""
        self._question(connection).phase = "revealed"
        self._touch("room", "desk", "snapshot")

    def again(self, connection):
        """Ask the same question once more, after discussion."""
        self._question(connection).again()
        self._touch("room", "desk", "tally", "snapshot")

    def done(self, connection):
        """Put the question away; its counts stay for the results."""
        self._question(connection)
        self._finish()
        self._touch("room", "desk", "tally", "snapshot")

    def results(self, connection):
        """Anonymous results of all questions as comma-separated text."""
        self._driver(connection)
        rows = list(self.history)
        if self.question is not None and self.question.phase != "open":
            rows += self.question.rows()
        return {"kind": "results", "text": results_csv(rows)}

    def _question(self, connection):
        self._driver(connection)
        if self.question is None:
            raise QuantityError("No question is put at the moment.")
        return self.question

    def _finish(self):
        # only counts outlive a question, not who answered what
        if self.question is not None and any(self.question.rounds):
            self.history += [list(row) for row in self.question.rows()]
            del self.history[: -MAX_HISTORY * MAX_CHOICES]
        self.question = None

    def _scene(self, scene):
        if scene is None:
            return None
        try:
            path, query = str(scene["path"]), str(scene["query"]).lstrip("?")
            inner = str(scene.get("inner", ""))
        except (KeyError, TypeError, AttributeError):
            raise QuantityError("A scene has a path and a query.") from None
        if path not in self.paths:
            raise QuantityError(f"The page '{path[:40]}' cannot be shown to a room.")
        if max(len(query), len(inner)) > MAX_QUERY:
            raise QuantityError(
                f"The scene is {max(len(query), len(inner))} characters long; at "
                f"most {MAX_QUERY} can be shown."
            )
        return {"path": path, "query": query, **({"inner": inner} if inner else {})}

    def _scene_list(self, scenes):
        if not isinstance(scenes, list) or len(scenes) > MAX_SCENES:
            raise QuantityError(f"The list of scenes holds at most {MAX_SCENES}.")
        return [
            {"title": str(s.get("title", ""))[:120] or "Scene", **self._scene(s)}
            for s in scenes
            if isinstance(s, dict)
        ]

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
            part: (self.at[part], getattr(self, f"_part_{part}")())
            for part, version in seen.items()
            if self.at[part] > version
        }

    def newer(self, seen):
        """Whether `look` would return anything."""
        return any(self.at[part] > version for part, version in seen.items())

    def _part_driver(self):
        return {"kind": "driver"}

    def _part_scene(self):
        return {"kind": "scene", "scene": self.scene}

    def _part_pointer(self):
        return {"kind": "pointer", "spot": self.pointer}

    def _part_room(self):
        return {
            "kind": "room",
            "open": self.opened,
            "away": self.opened and self._away(),
            "frozen": self.frozen,
            "veil": self.veil,
            "question": self.question.for_learners() if self.question else None,
        }

    def _part_tally(self):
        seats = {c.seat for c in self.connections.values() if c.role == "learner"}
        return {
            "kind": "tally",
            "seats": len(seats),
            "answered": len(self.question.rounds[-1]) if self.question else 0,
        }

    def _part_desk(self):
        learners = [c for c in self.connections.values() if c.role == "learner"]
        following = {c.seat for c in learners if c.follows}
        return {
            "kind": "desk",
            "following": len(following),
            "exploring": len({c.seat for c in learners} - following),
            "screens": sum(c.role == "screen" for c in self.connections.values()),
            "frozen": self.frozen,
            "veil": self.veil,
            "scenes": self.scenes,
            "index": self.index,
            "asked": bool(self.history) or self.question is not None,
            "question": self.question.for_presenter() if self.question else None,
        }

    def _part_snapshot(self):
        return {"kind": "snapshot", "snapshot": self.snapshot()}

    def snapshot(self):
        """All that a restarted server needs; the presenter's browser keeps it."""
        return {
            "scene": self.live,
            "frozen": self.frozen,
            "veil": self.veil,
            "scenes": self.scenes,
            "index": self.index,
            "asked": self.asked,
            "history": self.history,
            "question": self.question.to_dict() if self.question else None,
        }

    def _recover(self, data):
        try:
            scenes = self._scene_list(data.get("scenes") or [])
            history = [
                [str(c)[:MAX_TEXT] if isinstance(c, str) else int(c) for c in row]
                for row in data.get("history") or []
            ][-MAX_HISTORY * MAX_CHOICES :]
            if any(len(row) != 8 for row in history):
                raise ValueError
            question = data.get("question")
            question = Question.from_dict(question) if question else None
            if question is not None:
                question.after = self._scene(question.after)
            scene = self._scene(data.get("scene"))
            index, asked = int(data.get("index", -1)), int(data.get("asked", 0))
        except (TypeError, ValueError, AttributeError) as error:
            said = f" ({error})" if isinstance(error, QuantityError) else ""
            raise QuantityError(
                f"What this browser kept of the room cannot be read{said}; the room starts empty."
            ) from None
        self.scene = self.live = scene
        self.frozen, self.veil = bool(data.get("frozen")), bool(data.get("veil"))
        self.scenes, self.history, self.question = scenes, history, question
        self.index = index if -1 <= index < len(scenes) else -1
        self.asked = max(asked, question.id if question else 0)


#: What may be called from outside, by whoever holds a connection.
ACTIONS = (
    "enter",
    "leave",
    "join",
    "follow",
    "answer",
    "open",
    "present",
    "end",
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
)
