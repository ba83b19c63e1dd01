"""Limits of the room: how fast a connection may talk, how often a code may be tried."""

from collections import deque


class Bucket:
    """Lets `burst` messages pass at once and `rate` a second from then on."""

    def __init__(self, rate, burst, clock):
        self.rate, self.burst, self.clock = rate, burst, clock
        self.left, self.last, self.refused = float(burst), clock(), 0

    def take(self):
        """Whether one more message may pass now."""
        now = self.clock()
        self.left = min(self.burst, self.left + (now - self.last) * self.rate)
        self.last = now
        if self.left < 1.0:
            self.refused += 1
            return False
        self.left -= 1.0
        self.refused = 0
        return True


class Attempts:
    """Counts wrong codes: `each` on a connection, `most` in the whole room within `span` s."""

    def __init__(self, clock, each=5, most=30, span=60.0):
        self.clock, self.each, self.most, self.span = clock, each, most, span
        self.times, self.wrong = deque(), {}

    def refusal(self, connection):
        """A sentence if no further try is taken now, else an empty text."""
        if self.wrong.get(connection, 0) >= self.each:
            return (
                f"{self.each} wrong codes were tried from here. Load the page again and look "
                "at the terminal of the server for the code."
            )
        now = self.clock()
        while self.times and now - self.times[0] > self.span:
            self.times.popleft()
        if len(self.times) >= self.most:
            wait = int(self.span - (now - self.times[0])) + 1
            return (
                f"{self.most} wrong codes were tried in this room within {self.span:g} s. "
                f"It takes codes again in {wait} s."
            )
        return ""

    def miss(self, connection):
        """Note a wrong try; returns how many this connection has left."""
        self.times.append(self.clock())
        self.wrong[connection] = self.wrong.get(connection, 0) + 1
        return self.each - self.wrong[connection]

    def forget(self, connection):
        """A connection is gone."""
        self.wrong.pop(connection, None)
