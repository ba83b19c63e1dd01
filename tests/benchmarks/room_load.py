"""Load test of the class room: learners with real page sessions follow a presenter.

    python tests/benchmarks/room_load.py [--learners 60] [--seconds 10] [--workers 1]

Starts a server of its own on loopback, opens for each learner a Steer page session (the websocket
of the page) and a room socket, and lets a presenter send `--rate` scenes a second. As in the
browser, a learner has one message under way and keeps only the newest. Two delays are taken from
the moment the presenter sends: until the room's message is there (push), and until the learner's
page session has sent what is to be painted (scene). The same is done with one learner, in the same
run, so that the ratio says what the class costs. In `--own` every learner moves a slider instead,
`--rate` times a second. A learner counts as dropped if a connection ends or the last scene does not
arrive. It talks to loopback only, and ends by itself.
"""

import argparse
import asyncio
import json
import random
import re
import subprocess
import sys
import time
from urllib.request import urlopen

from tornado.httpclient import AsyncHTTPClient
from tornado.websocket import websocket_connect

CODE = "benchmark-only"
#: Longest wait, s, for anything before it counts as dropped.
PATIENCE = 30.0
MOST_LEARNERS, MOST_SECONDS = 200, 60


class PageSession:
    """The page's own session: Bokeh's protocol, as far as a follower needs it."""

    async def open(self, base):
        answer = await AsyncHTTPClient().fetch(base, request_timeout=PATIENCE)
        token = re.search(r'"token":"([^"]+)"', answer.body.decode())[1]
        self.socket = await websocket_connect(
            base.replace("http", "ws", 1) + "ws",
            subprotocols=["bokeh", token],
            connect_timeout=PATIENCE,
        )
        self.socket.protocol.set_nodelay(True)  # as browsers do
        await self.receive()  # ACK
        await self.write({"msgid": "1", "msgtype": "PULL-DOC-REQ"}, {})
        while True:
            header, content = await self.receive()
            if header["msgtype"] == "PULL-DOC-REPLY":
                break
        self.controls = find_controls(json.loads(content))
        await self._event({"type": "event", "name": "document_ready", "values": {"type": "map"}})
        return self

    async def write(self, header, content):
        for part in (header, {}, content):
            await self.socket.write_message(json.dumps(part))

    async def receive(self):
        """One message: (header, text of the content); buffers are read and left."""
        header = json.loads(await self._part())
        await self._part()
        content = await self._part()
        for _ in range(2 * header.get("num_buffers", 0)):
            await self._part()
        return header, content

    async def _part(self):
        part = await self.socket.read_message()
        if part is None:
            raise ConnectionError("the page session has ended")
        return part

    async def send(self, **message):
        """What `model.send_msg` of the controls sends in the browser."""
        entries = [[k, v] for k, v in message.items()]
        values = {
            "type": "map",
            "entries": [
                ["model", {"id": self.controls}],
                ["data", {"type": "map", "entries": entries}],
            ],
        }
        await self._event({"type": "event", "name": "data_event", "values": values})

    async def _event(self, data):
        await self.write(
            {"msgid": str(time.monotonic_ns()), "msgtype": "PATCH-DOC"},
            {"events": [{"kind": "MessageSent", "msg_type": "bokeh_event", "msg_data": data}]},
        )


def find_controls(node):
    """Id of the controls in a document."""
    if isinstance(node, dict):
        if node.get("attributes", {}).get("class_name") == "Controls":
            return node["id"]
        node = list(node.values())
    for part in node if isinstance(node, list) else ():
        found = find_controls(part)
        if found:
            return found
    return None


class Learner:
    """One learner: room socket and page session, with one message under way at most."""

    def __init__(self):
        self.pushes, self.scenes, self.last, self.dropped = [], [], -1, ""
        self.under_way, self.next, self.seq = None, None, 0

    async def open(self, base, follows=True):
        self.page = await PageSession().open(base)
        self.room = await websocket_connect(base.replace("http", "ws", 1) + "room")
        await self.room.write_message(json.dumps({"kind": "join", "follows": follows}))
        self.tasks = [
            asyncio.create_task(self._guard(self._listen())),
            asyncio.create_task(self._guard(self._paint())),
        ]
        return self

    async def _guard(self, work):
        try:
            await work
        except ConnectionError as error:
            self.dropped = str(error)

    async def _listen(self):
        while True:
            text = await self.room.read_message()
            if text is None:
                raise ConnectionError("the room's socket has ended")
            if '"kind": "scene"' not in text or SENT.get("live") is None:
                continue
            scene = json.loads(text)["scene"]
            number = scene and SENT["numbers"].get(scene["query"])
            if number is not None:
                self.pushes.append(time.perf_counter() - SENT["at"][number])
                await self.ask(number, kind="follow", query=scene["query"], inner="")

    async def ask(self, number, **message):
        """Send to the page session, or keep for when it has answered."""
        if self.under_way is not None:
            self.next = (number, message)
            return
        self.seq += 1
        self.under_way = number
        await self.page.send(**message, seq=self.seq)

    async def _paint(self):
        while True:
            _, content = await self.page.receive()
            if self.under_way is None or not re.search(rf'\\"ack\\":{self.seq}\b', content):
                continue
            self.scenes.append(time.perf_counter() - SENT["at"][self.under_way])
            self.last, self.under_way = self.under_way, None
            if self.next:
                (number, message), self.next = self.next, None
                await self.ask(number, **message)

    async def drive(self, rate, seconds, phase):
        """Move a slider of one's own, `phase` of a period late: learners keep no common time."""
        await asyncio.sleep(phase / rate)
        for n in range(int(rate * seconds)):
            number = ("own", id(self), n)
            SENT["at"][number] = time.perf_counter()
            await self.ask(number, kind="slide", name="v_upper", pos=20 + n % 160)
            await asyncio.sleep(1.0 / rate)


#: When each scene left, and which query belongs to which.
SENT = {"at": {}, "numbers": {}, "live": None}


async def present(socket, rate, seconds):
    """The presenter sends scenes that differ; returns the number of the last."""
    for n in range(int(rate * seconds)):
        query = f"v_upper={n % 90 + 1}mV&v_lower={n // 90 + 1}mV"
        SENT["numbers"][query], SENT["at"][n] = n, time.perf_counter()
        await socket.write_message(
            json.dumps({"kind": "show", "scene": {"path": "", "query": query}})
        )
        await asyncio.sleep(1.0 / rate)
    return n


async def trial(base, count, options):
    """Delays of a class of `count`: dict of lists, ms, and how many were dropped."""
    SENT.update(at={}, numbers={}, live=None)
    presenter = await websocket_connect(base.replace("http", "ws", 1) + "room")
    await presenter.write_message(json.dumps({"kind": "open", "code": CODE}))
    asyncio.create_task(drain(presenter))
    learners = []
    for first in range(0, count, 6):  # a class does not arrive in one instant
        learners += await asyncio.gather(
            *(Learner().open(base, not options.own) for _ in range(min(6, count - first)))
        )
    await asyncio.sleep(1.0)
    SENT["live"] = True
    phases = random.Random(count)
    if options.own:
        await asyncio.gather(
            *(x.drive(options.rate, options.seconds, phases.random()) for x in learners)
        )
        last = None
    else:
        last = await present(presenter, options.rate, options.seconds)
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until and not all(
        x.dropped or (x.under_way is None and (last is None or x.last == last)) for x in learners
    ):
        await asyncio.sleep(0.05)
    dropped = [
        x
        for x in learners
        if x.dropped or x.under_way is not None or (last is not None and x.last != last)
    ]
    sent = int(options.rate * options.seconds) * count
    result = {
        "push": [1e3 * t for x in learners for t in x.pushes],
        "scene": [1e3 * t for x in learners for t in x.scenes],
        "dropped": len(dropped),
        "sent": sent,
    }
    for x in learners:
        for task in x.tasks:
            task.cancel()
        x.room.close()
        x.page.socket.close()
    presenter.close()
    await asyncio.sleep(0.5)
    return result


async def open_and_close(base, count, at_once):
    """Open `count` page sessions, `at_once` at a time, send each one event, and leave."""
    for _ in range(0, count, at_once):
        pages = await asyncio.gather(*(PageSession().open(base) for _ in range(at_once)))
        for page in pages:
            await page.send(kind="slide", name="v_upper", pos=150, seq=1)
            await page.receive()
            page.socket.close()


async def drain(socket):
    while await socket.read_message() is not None:
        pass


def percentile(values, part):
    return sorted(values)[min(int(part * len(values)), len(values) - 1)] if values else float("nan")


def start_server(workers):
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "forktail",
            "serve",
            "--no-open",
            "--port",
            "0",
            "--room-code",
            CODE,
            "--workers",
            str(workers),
        ],
        stderr=subprocess.PIPE,
        text=True,
    )
    base = re.search(r"http://\S+/", process.stderr.readline())[0]
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until:
        try:
            urlopen(base, timeout=PATIENCE).read()
            return process, base
        except OSError:
            time.sleep(0.1)
    process.terminate()
    raise SystemExit("the server did not come up")


def measure(options):
    """Delays of one learner and of `options.learners`, on one server: {learners: result}."""
    process, base = start_server(options.workers)
    try:
        asyncio.run(trial(base, 1, argparse.Namespace(**{**vars(options), "seconds": 2})))  # warm
        return {n: asyncio.run(trial(base, n, options)) for n in (1, options.learners)}
    finally:
        process.terminate()
        process.wait(15)


def run(learners=60):
    """Yield rows (what, ours, reference, unit, target ratio) for two workers on two cores."""
    for own, what, target in (
        (True, "each moves a slider", 2.5),
        (False, "all follow a presenter at once", None),
    ):
        one, many = measure(
            argparse.Namespace(learners=learners, seconds=10.0, rate=5.0, workers=2, own=own)
        ).values()
        yield (
            f"{learners} learners, 5 events/s, {what}: p95 over that of one",
            percentile(many["scene"], 0.95) / 1e3,
            percentile(one["scene"], 0.95) / 1e3,
            "s",
            target,
        )
        yield f"of these learners, dropped: {what}", many["dropped"], learners, "", 0.0


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--learners", type=int, default=60)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--rate", type=float, default=5.0, help="events a second")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--own", action="store_true", help="learners move their own sliders")
    options = parser.parse_args()
    options.learners = min(options.learners, MOST_LEARNERS)
    options.seconds = min(options.seconds, MOST_SECONDS)
    results = measure(options)
    what = "own sliders" if options.own else "following a presenter"
    print(
        f"{what}, {options.rate:g} events/s, {options.seconds:g} s, "
        f"{options.workers} worker process(es)"
    )
    print(
        f"{'learners':>8} {'push p50':>9} {'push p95':>9} {'scene p50':>10} {'scene p95':>10} "
        f"{'shown':>7} {'dropped':>8}   (ms)"
    )
    for count, r in results.items():
        print(
            f"{count:8d} {percentile(r['push'], 0.5):9.1f} {percentile(r['push'], 0.95):9.1f} "
            f"{percentile(r['scene'], 0.5):10.1f} {percentile(r['scene'], 0.95):10.1f} "
            f"{100 * len(r['scene']) / r['sent']:6.1f}% {r['dropped']:8d}"
        )
    one, many = (percentile(r["scene"], 0.95) for r in results.values())
    print(
        f"scene p95, {options.learners} learners over one: {many / one:.2f}   "
        "(budget 2.5, none dropped; shown: the rest was overtaken by a newer scene)"
    )


if __name__ == "__main__":
    main()
