"""Who is in a room: connections, their roles and seats.

A learner is a *seat*: the hash of a random token that only the learner's browser holds. No name
and no token is kept; of an address a keyed hash, as long as the connection lasts, which slows
down guessing of the code.
"""

import hashlib
import re
import secrets
from dataclasses import dataclass

from forktail.classroom.door import TAKEN_OVER
from forktail.core.checks import QuantityError

MAX_CONNECTIONS = 600
#: A worker process that has not been heard of for so long, s, is gone with all its connections.
WORKER_SILENCE = 60.0


def seat_of(token):
    """The seat that a token stands for."""
    return hashlib.blake2b(token.encode(), digest_size=9).hexdigest()


@dataclass
class Connection:
    """One open connection: its role, and for a learner the seat and whether it follows."""

    name: str
    worker: str
    address: str = ""
    role: str = "visitor"
    seat: str = ""
    follows: bool = True

    def must_present(self):
        """QuantityError unless this window drives."""
        if self.role == "former":
            raise QuantityError(TAKEN_OVER)
        if self.role != "presenter":
            raise QuantityError("Only the presenter can do that.")

    def must_learn(self):
        """QuantityError unless this is a learner's window."""
        if self.role != "learner":
            raise QuantityError("Join the room first.")


class People:
    """All connections of a room, by the name that the wire gave each."""

    def __init__(self, clock):
        self.clock, self.connections, self.workers = clock, {}, {}
        self._salt = secrets.token_bytes(16)

    def _hidden(self, address):
        return hashlib.blake2b(address.encode(), digest_size=9, key=self._salt).hexdigest()

    def enter(self, name, worker, address=""):
        """A connection was made; it has no rights yet."""
        if len(self.connections) >= MAX_CONNECTIONS:
            raise QuantityError(f"The room holds {MAX_CONNECTIONS} connections and is full.")
        self.connections[name] = Connection(name, worker, self._hidden(address))

    def leave(self, name):
        """A connection is gone; returns its role, "" if it was not known."""
        gone = self.connections.pop(name, None)
        return gone.role if gone else ""

    def silent_since(self, worker):
        """Note that a worker process is alive; returns the connections of those that are not."""
        now = self.clock()
        self.workers[worker] = now
        lost = {w for w, t in self.workers.items() if now - t > WORKER_SILENCE}
        self.workers = {w: t for w, t in self.workers.items() if w not in lost}
        return [name for name, c in self.connections.items() if c.worker in lost]

    def of(self, name):
        """The connection of a name."""
        if name not in self.connections:
            raise QuantityError("This connection has ended; load the page again.")
        return self.connections[name]

    def seat(self, here, token, follows, role):
        """Give a connection its seat; returns the token to come back with."""
        if here.role in ("presenter", "former"):
            raise QuantityError("This window presents, so it does not take a seat.")
        if not isinstance(token, str) or not re.fullmatch(r"[0-9a-f]{32}", token):
            token = secrets.token_hex(16)
        here.role = "screen" if role == "screen" else "learner"
        here.seat, here.follows = seat_of(token), bool(follows)
        return token

    def lead(self, here):
        """One connection presents; another that did is told."""
        for other in self.connections.values():
            if other.role == "presenter":
                other.role = "former"
        here.role = "presenter"

    def nobody_leads(self):
        """All who present or did are visitors again."""
        for other in self.connections.values():
            if other.role in ("presenter", "former"):
                other.role = "visitor"

    def away(self):
        """Whether no window of a presenter is connected."""
        return not any(c.role == "presenter" for c in self.connections.values())

    def seats(self):
        """Seats of the learners who are here."""
        return {c.seat for c in self.connections.values() if c.role == "learner"}

    def counts(self):
        """How many follow, explore, and how many projector windows there are."""
        here = self.connections.values()
        following = {c.seat for c in here if c.role == "learner" and c.follows}
        return {
            "following": len(following),
            "exploring": len(self.seats() - following),
            "screens": sum(c.role == "screen" for c in here),
        }
