"""The one room of a server, shared by its worker processes.

One process: the room is an object. Several: it lives in a separate process behind
`multiprocessing.managers`, in memory only, and each worker has one thread that sleeps until
something changed. Both offer `call`, `look` and `watch`.
"""

import os
import threading
import time
from multiprocessing import get_context
from multiprocessing.managers import BaseManager

from forktail.classroom.room import HOT, Room

#: Longest sleep of a worker's thread, s; it then says that it is alive.
SLEEP = 20.0


class Keeper:
    """The room behind a lock, for callers in several threads."""

    def __init__(self, code, paths):
        self.room, self.turn = Room(code, paths), threading.Condition()

    def call(self, name, *args):
        """See `Room.call`."""
        with self.turn:
            before = self.room.version
            try:
                return self.room.call(name, *args)
            finally:
                if self.room.version != before:
                    self.turn.notify_all()

    def look(self, seen):
        """See `Room.look`."""
        with self.turn:
            return self.room.look(seen)

    def wait(self, worker, seen, seconds):
        """Sleep until `look(seen)` has something, or the time is over; returns it."""
        with self.turn:
            self.room.heard(worker)
            self.turn.wait_for(lambda: self.room.newer(seen), seconds)
            self.room.heard(worker)
            return self.room.look(seen)


class OwnRoom:
    """The room of a server with one process."""

    def __init__(self, code, paths):
        self.keeper = Keeper(code, paths)
        self.worker, self._seen, self._deliver = "own", dict.fromkeys(HOT, 0), None

    def call(self, name, *args):
        """Call an action of the room, then hand out what changed."""
        try:
            return self.keeper.call(name, *args)
        finally:
            changed = self.keeper.look(self._seen)
            if changed and self._deliver:
                self._seen |= {part: version for part, (version, _) in changed.items()}
                self._deliver(changed)

    def look(self, seen):
        """See `Room.look`."""
        self.keeper.room.heard(self.worker)
        return self.keeper.look(seen)

    def watch(self, loop, deliver):
        """Call `deliver(changed)` on the loop with what followers need at once."""
        self._deliver = deliver


class _Manager(BaseManager):
    """Serves the keeper to the workers of this machine."""


_keeper = None


def _start_keeper(code, paths, parent):
    global _keeper
    _keeper = Keeper(code, paths)

    def outlive():
        # whoever started the server may be killed without a word; the room must not stay behind
        while os.getppid() == parent:
            time.sleep(1.0)
        os._exit(0)

    threading.Thread(target=outlive, daemon=True).start()


def _the_keeper():
    return _keeper


_Manager.register("keeper", callable=_the_keeper, exposed=("call", "look", "wait"))


class SharedRoom:
    """The room of a server with several worker processes.

    Built before the workers are forked; each worker connects when it first needs the room.
    """

    def __init__(self, code, paths):
        # spawn: a fresh interpreter shares no thread, socket or memory with the server
        self._secret = os.urandom(32)
        self._manager = _Manager(authkey=self._secret, ctx=get_context("spawn"))
        self._manager.start(_start_keeper, (code, tuple(paths), os.getpid()))
        self._address = self._manager.address
        self._process, self._proxy, self.worker = None, None, ""

    def close(self):
        """End the process that keeps the room: nobody can reach it any more."""
        self._manager.shutdown()

    def _connect(self):
        manager = _Manager(address=self._address, authkey=self._secret)
        manager.connect()
        return manager.keeper()

    def _keeper(self):
        if self._process != os.getpid():  # in a new worker: its own connection
            self._process, self.worker = os.getpid(), f"worker{os.getpid()}"
            self._proxy = self._connect()
        return self._proxy

    def call(self, name, *args):
        """Call an action of the room; about 0.2 ms."""
        return self._keeper().call(name, *args)

    def look(self, seen):
        """See `Room.look`."""
        return self._keeper().look(seen)

    def watch(self, loop, deliver):
        """Call `deliver(changed)` on the loop with what followers need at once."""
        self._keeper()
        threading.Thread(target=self._sleep, args=(loop, deliver), daemon=True).start()

    def _sleep(self, loop, deliver):
        proxy, seen = self._connect(), dict.fromkeys(HOT, 0)
        while True:
            try:
                changed = proxy.wait(self.worker, seen, SLEEP)
            except (EOFError, OSError):  # the server is being stopped
                return
            if changed:
                seen |= {part: version for part, (version, _) in changed.items()}
                try:
                    loop.add_callback(deliver, changed)
                except RuntimeError:  # the loop has ended
                    return


def make_room(code, paths, workers=1):
    """The room for a server with so many worker processes."""
    return OwnRoom(code, paths) if workers == 1 else SharedRoom(code, paths)
