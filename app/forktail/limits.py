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
    """Counts wrong codes, so that guessing is slow and nobody can lock out somebody else.

    A connection has `each` tries. After `most` wrong ones from one address within `span` s, a code
    from there is looked at only after a wait of `pause` s; the right one is taken all the same.
    """

    def __init__(self, clock, each=5, most=20, span=60.0, pause=5.0):
        self.clock, self.each, self.most, self.span, self.pause = clock, each, most, span, pause
        self.times, self.wrong = {}, {}

    def refusal(self, connection):
        """A sentence if a connection has used up its tries, else an empty text."""
        if self.wrong.get(connection, 0) < self.each:
            return ""
        return (
            f"{self.each} wrong codes were tried from this page. Load it again and look at the "
            "terminal of the server for the code."
        )

    def wait(self, address):
        """Seconds that a code from an address has to wait; addresses are forgotten after `span`."""
        now = self.clock()
        for known, times in list(self.times.items()):
            while times and now - times[0] > self.span:
                times.popleft()
            if not times:
                del self.times[known]
        return self.pause if len(self.times.get(address, ())) >= self.most else 0.0

    def miss(self, connection, address):
        """Note a wrong try; returns how many this connection has left."""
        self.times.setdefault(address, deque()).append(self.clock())
        self.wrong[connection] = self.wrong.get(connection, 0) + 1
        return self.each - self.wrong[connection]

    def forget(self, connection):
        """A connection is gone."""
        self.wrong.pop(connection, None)
