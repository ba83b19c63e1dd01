"""The room on the wire: one light websocket for each page of presenter and learners.

It is independent of the pages' own Bokeh sessions: it carries scenes as text, survives a change
of page, and costs the server no document. All messages are JSON objects with a `kind`.
"""

import asyncio
import inspect
import ipaddress
import itertools
import json
import logging
import socket

from tornado.ioloop import IOLoop, PeriodicCallback
from tornado.web import RequestHandler
from tornado.websocket import WebSocketClosedError, WebSocketHandler

from forktail.classroom.code import address_code
from forktail.classroom.lessons import lesson_question, lesson_questions, lesson_scenes
from forktail.classroom.page import join_page
from forktail.classroom.room import HOT
from forktail.classroom.scenes import askable, question, scene_sets
from forktail.core.checks import QuantityError
from forktail.limits import Bucket

log = logging.getLogger("forktail")

#: Messages a second and at once, longest message in characters.
LEARNER_RATE, PRESENTER_RATE = (8.0, 24), (80.0, 160)
MAX_MESSAGE, MAX_SNAPSHOT = 6_000, 1_000_000
#: Refused messages in a row after which a connection is closed.
PATIENCE = 200
#: How often, ms, counts go to presenters and screens, and every how many times the snapshot.
TICK, SNAPSHOT_TICKS = 150, 2
#: Handlers served in one go: others get their turn in between.
CHUNK = 64

WANTS = {
    "visitor": ("room",),
    "learner": ("scene", "pointer", "room"),
    "screen": ("scene", "pointer", "room"),
    "presenter": ("room",),
    "former": ("room",),
}
COOL_WANTS = {"screen": ("tally",), "presenter": ("tally", "desk", "snapshot")}

#: Kind of a message that goes to the room's action of that name -> keys of what goes with it.
PASSED_ON = {
    "follow": ("on",),
    "answer": ("question", "asking", "choice"),
    "show": ("scene",),
    "point": ("spot",),
    "freeze": ("on",),
    "hide": ("on",),
    "prepare": ("scenes",),
    "step": ("index",),
    "close": (),
    "reveal": (),
    "again": (),
    "done": (),
    "results": (),
    "end": (),
}


class Audience:
    """All sockets of one process; hands each what changed, newest only."""

    def __init__(self, room, hosts=()):
        self.room, self.hosts = room, tuple(hosts)
        self.sockets, self.loop, self.clock = {}, None, None
        self._numbers = itertools.count(1)
        self._seen, self._ticks = {}, 0

    def add(self, handler):
        """Name a new socket; the first one starts the delivery of this process."""
        if self.loop is None:
            self.loop = IOLoop.current()
            self.room.watch(self.loop, self.deliver)
            self.clock = PeriodicCallback(self.tick, TICK)
            self.clock.start()
        return f"{self.room.worker or 'own'}.{next(self._numbers)}"

    def fresh(self):
        """A new presenter or screen: it wants the counts from the start."""
        self._seen = {}

    def deliver(self, changed):
        """Hand out parts that changed."""
        parts = {part: json.dumps(view) for part, (_, view) in changed.items()}
        handlers = list(self.sockets.values())
        if "driver" in parts:
            for handler in handlers:
                handler.check_driver()
        self._hand(handlers, parts)

    def _hand(self, handlers, parts):
        for handler in handlers[:CHUNK]:
            handler.offer(parts)
        if handlers[CHUNK:]:
            self.loop.add_callback(self._hand, handlers[CHUNK:], parts)

    def tick(self):
        """Counts for presenters and screens, now and then."""
        waiting = [h for h in self.sockets.values() if h.role in COOL_WANTS]
        self._ticks += 1
        if not waiting:
            return
        wanted = {part for h in waiting for part in COOL_WANTS[h.role]}
        if self._ticks % SNAPSHOT_TICKS:
            wanted.discard("snapshot")
        try:
            changed = self.room.look({p: self._seen.get(p, 0) for p in wanted})
        except (EOFError, OSError):
            return
        if changed:
            self._seen |= {part: version for part, (version, _) in changed.items()}
            self._hand(waiting, {p: json.dumps(view) for p, (_, view) in changed.items()})


class RoomSocket(WebSocketHandler):
    """One page of a presenter, a learner or a screen."""

    ping_interval, ping_timeout = 20.0, 15.0
    max_message_size = MAX_SNAPSHOT

    def initialize(self, audience):
        self.audience, self.room = audience, audience.room
        self.name, self.role, self.key = "", "visitor", ""
        self._pending, self._writing = {}, False
        clock = IOLoop.current().time
        self._slow, self._fast = Bucket(*LEARNER_RATE, clock), Bucket(*PRESENTER_RATE, clock)

    def open(self):
        self.set_nodelay(True)
        self.name = self.audience.add(self)
        try:
            self.room.call("enter", self.name, self.room.worker, address_of(self.request))
        except QuantityError as refusal:
            self.say(str(refusal))
            self.close(1013, "full")
            return
        self.audience.sockets[self.name] = self
        self.catch_up()

    def on_close(self):
        if self.audience.sockets.pop(self.name, None):
            try:
                self.room.call("leave", self.name)
            except (EOFError, OSError):  # the server is being stopped
                pass

    # ---- out

    def offer(self, parts):
        """Take parts to send; of each only the newest waits for a slow line."""
        wants = WANTS[self.role] + COOL_WANTS.get(self.role, ())
        for part, text in parts.items():
            if part in wants:
                self._pending[part] = text
        if not self._writing:
            self._next()

    def _next(self):
        self._writing = bool(self._pending)
        if not self._writing:
            return
        text = self._pending.pop(next(iter(self._pending)))
        try:
            self.write_message(text).add_done_callback(self._written)
        except WebSocketClosedError:
            self._pending.clear()
            self._writing = False

    def _written(self, future):
        if future.exception() is None:
            self._next()
        else:
            self._writing = False

    def reply(self, message):
        """Send one answer; it may come between the parts."""
        if message:
            try:
                self.write_message(json.dumps(message))
            except WebSocketClosedError:
                pass

    def say(self, text, about=""):
        """Send a sentence."""
        self.reply({"kind": "said", "text": text, "about": about})

    def catch_up(self):
        """Send all that this role wants, as it stands."""
        changed = self.room.look({p: 0 for p in HOT if p in WANTS[self.role]})
        self.offer({part: json.dumps(view) for part, (_, view) in changed.items()})

    # ---- in

    async def on_message(self, text):
        message = self._read(text)
        if message is None:
            return
        kind = str(message.get("kind"))[:20]
        try:
            if kind in PASSED_ON:
                answer = self._act(kind, *(message.get(key) for key in PASSED_ON[kind]))
            elif kind in TAKEN:
                answer = TAKEN[kind](self, message)
                if inspect.isawaitable(answer):
                    answer = await answer
            else:
                self.say("The server does not know that message.")
                return
            self.reply(answer)
        except QuantityError as refusal:
            self.say(str(refusal), kind)
        except (EOFError, OSError):
            self.say("The room is being stopped.", kind)
        except (KeyError, TypeError, ValueError, AttributeError, OverflowError):
            self.say("That message cannot be read.", kind)

    def _read(self, text):
        bucket = self._fast if self.role == "presenter" else self._slow
        if not bucket.take():
            if bucket.refused == 1:
                self.say("That was too much at once; wait a moment.")
            elif bucket.refused > PATIENCE:
                self.close(1008, "too many messages")
            return None
        # only an opening carries a snapshot, and so may be long
        if len(text) > MAX_MESSAGE and '"open"' not in text[:40] and self.role != "presenter":
            self.say(f"That message is too long; at most {MAX_MESSAGE} characters are accepted.")
            return None
        try:
            message = json.loads(text)
        except (ValueError, RecursionError):
            message = None
        if not isinstance(message, dict):
            self.say("That message cannot be read.")
            return None
        return message

    def _act(self, name, *args):
        return self.room.call(name, self.name, *args)

    # learners

    def _on_join(self, m):
        answer = self._act("join", m.get("token"), m.get("follows", True), m.get("role"))
        self.role = "screen" if m.get("role") == "screen" else "learner"
        if self.role == "screen":
            self.audience.fresh()
        self.catch_up()
        return answer

    # presenter

    async def _on_open(self, m):
        wait = self._act("wait")
        if wait:
            self.say(
                "Many wrong codes came from your network, so each is checked only after "
                f"{wait:.0f} s. Please wait; yours will be checked then."
            )
            await asyncio.sleep(wait)
        # the room's change of hands reaches this window before its new key does
        role, self.role = self.role, "visitor"
        try:
            answer = self._act("open", m.get("code", ""), m.get("snapshot"))
        except QuantityError:
            self.role = role
            raise
        return self._drive(answer["key"], answer)

    def _on_present(self, m):
        answer = self._act("present", m.get("key", ""))
        if answer["state"] == "driving":
            return self._drive(m["key"], answer)
        self.key, self.role = str(m.get("key", "")), "visitor"
        if answer["state"] == "former":
            self.role = "former"
        return answer

    def _drive(self, key, answer):
        self.key, self.role = key, "presenter"
        self.audience.fresh()
        self.catch_up()
        return answer

    def check_driver(self):
        """The room changed hands, or ended: see what this window is now."""
        if self.role not in ("presenter", "former"):
            return
        try:
            answer = self._act("present", self.key)
        except (QuantityError, EOFError, OSError):
            return
        role = {"driving": "presenter", "former": "former"}.get(answer["state"], "visitor")
        if role != self.role:
            self.role = role
            self.reply(answer)

    async def _on_ask(self, m):
        self._only_presenter()
        if m.get("lesson"):

            def make():
                return lesson_question(
                    str(m["lesson"])[:80], str(m["step"])[:80], str(m.get("seed") or 0)[:20]
                )
        else:

            def make():
                return question(
                    str(m["path"])[:40],
                    str(m["query"])[:4000],
                    str(m["output"])[:80],
                    str(m["name"])[:80],
                    str(m["text"])[:200],
                )

        put = await IOLoop.current().run_in_executor(None, make)
        put |= {"hide": bool(m.get("hide", True)), "instead": m.get("instead")}
        self._act("ask", put)
        return {"kind": "asked", "start": put.get("start")}

    async def _on_askable(self, m):
        self._only_presenter()
        path, query = str(m.get("path", ""))[:40], str(m.get("query", ""))[:4000]
        found = await IOLoop.current().run_in_executor(None, askable, path, query)
        return {"kind": "askable", **found}

    async def _on_desk(self, m):
        """What the desk offers: sets of scenes, questions of lessons, addresses to join."""
        self._only_presenter()

        def gather():
            return ([*scene_sets(), *lesson_scenes()], lesson_questions())

        sets, questions = await IOLoop.current().run_in_executor(None, gather)
        return {
            "kind": "offer",
            "sets": sets,
            "questions": questions,
            "hosts": list(self.audience.hosts),
        }

    def _on_code(self, m):
        self._only_presenter()
        return {"kind": "code", "address": m.get("address"), "svg": address_code(m.get("address"))}

    def _only_presenter(self):
        if self.role != "presenter":
            raise QuantityError("Only the presenter can do that.")


#: Kind of a message -> what this socket does with it, beyond handing it on.
TAKEN = {
    "join": RoomSocket._on_join,
    "open": RoomSocket._on_open,
    "present": RoomSocket._on_present,
    "ask": RoomSocket._on_ask,
    "askable": RoomSocket._on_askable,
    "desk": RoomSocket._on_desk,
    "code": RoomSocket._on_code,
}


class JoinHandler(RequestHandler):
    """The page behind the short address: no session, so that a whole class can come at once."""

    def get(self):
        self.set_header("Content-Type", "text/html; charset=utf-8")
        self.set_header("Cache-Control", "no-cache")
        self.finish(join_page())


def address_of(request):
    """Address that a request comes from; a reverse proxy on this machine is believed.

    Of an IPv6 address the first half, which is what one subscriber has (RFC 6177).
    """
    found = request.remote_ip or ""
    if found in ("127.0.0.1", "::1"):
        found = request.headers.get("X-Forwarded-For", "").rpartition(",")[2].strip() or found
    try:
        network = ipaddress.ip_network((found, 64) if ":" in found else found, strict=False)
    except ValueError:
        return found[:64]
    return str(network.network_address)


def own_addresses(host):
    """Addresses of this machine under which others can reach the server; none on loopback."""
    if host not in ("0.0.0.0", "::", ""):
        return [] if host.startswith("127.") or host in ("localhost", "::1") else [host]
    found = []
    try:  # no packet is sent: the system only says from which address it would
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.connect(("192.0.2.1", 9))
            found.append(probe.getsockname()[0])
    except OSError:
        pass
    try:
        found += [
            info[4][0] for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
        ]
    except OSError:
        pass
    return [a for a in dict.fromkeys(found) if not a.startswith("127.")]


def room_patterns(room, host):
    """URL patterns of the room for the server."""
    audience = Audience(room, own_addresses(host))
    return [(r"/room", RoomSocket, {"audience": audience}), (r"/join/?", JoinHandler)]
