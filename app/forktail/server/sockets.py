"""The pages' own websocket, without the wait that small packets are held for.

Bokeh sends a message as several small websocket frames. With the default of TCP each of them waits
until the one before is acknowledged, and a receiver may delay that by 40 ms (RFC 896, RFC 1122
4.2.3.2): half of what an event takes until it is painted. Tornado lets a handler switch that off.
Then each frame would be a packet that wakes the receiver; so those of one turn of the event loop
leave together.
"""

import asyncio
import logging
import socket

from bokeh.server.urls import per_app_patterns
from panel.io.server import WSHandler
from tornado.websocket import WebSocketClosedError

from forktail.ui.quiet import heard


class Burst:
    """Holds what is written to a TCP socket until the present turn of the event loop ends.

    Linux only (`TCP_CORK`); elsewhere, and without a running loop, each write leaves at once.
    """

    def __init__(self, raw):
        self.socket, self.held = raw, False

    def begin(self):
        """Something is about to be written."""
        if self.held or not hasattr(socket, "TCP_CORK"):
            return
        try:
            asyncio.get_running_loop().call_soon(self.end)
        except RuntimeError:
            return
        self.held = True
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_CORK, 1)

    def end(self):
        """Let it go."""
        self.held = False
        try:
            self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_CORK, 0)
        except OSError:  # closed meanwhile
            pass


class PromptSocket(WSHandler):
    """Sends each frame at once, those of a message together."""

    #: Those of this process that are open.
    open_now = set()

    def open(self, *args, **kwargs):
        self.set_nodelay(True)
        connection = self.ws_connection
        burst, write = Burst(connection.stream.socket), connection.write_message

        def together(*message, **options):
            burst.begin()
            return write(*message, **options)

        connection.write_message = together
        self.open_now.add(self)
        return super().open(*args, **kwargs)

    def on_message(self, fragment):
        heard()
        return super().on_message(fragment)

    def on_close(self):
        self.open_now.discard(self)
        super().on_close()


def _not_a_departure(record):
    """Filter of a log: a browser that left while a message was on its way is no fault."""
    return not (
        record.exc_info
        and record.exc_info[0]
        and issubclass(record.exc_info[0], WebSocketClosedError)
    )


def send_promptly():
    """Let servers made from now on use it; Panel puts its own handlers in the same way."""
    # Panel writes some messages without waiting for them; asyncio then logs what nobody read
    logging.getLogger("asyncio").addFilter(_not_a_departure)
    for n, (pattern, handler, *rest) in enumerate(per_app_patterns):
        if handler is WSHandler:
            per_app_patterns[n] = (pattern, PromptSocket, *rest)
