"""Server set-up: pages, static files, address and limits."""

import gc
import importlib
import logging
import os
import pkgutil
import socket
import sys
import threading
import time

import panel as pn

from forktail import pages
from forktail.classroom.door import check_code, make_code
from forktail.classroom.store import make_room
from forktail.classroom.wire import room_patterns
from forktail.core.checks import QuantityError
from forktail.lessons import handler as lessons_handler
from forktail.lessons import shelf as lessons_shelf
from forktail.pages.plan.handler import HANDLERS
from forktail.pages.steer.page import AHEAD
from forktail.resources import assets_dir
from forktail.server.safety import HTTP_LIMITS, MAX_MESSAGE, Refusal, SafeHeaders, guard
from forktail.server.sockets import send_promptly
from forktail.ui.panel_private import collect_when_quiet
from forktail.ui.shell import ROUTES


def load_pages():
    """Load every page, so that each adds its address to `shell.ROUTES`; returns path -> make."""
    names = [f"forktail.pages.{m.name}.page" for m in pkgutil.iter_modules(pages.__path__)]
    for name in (*names, "forktail.lessons.page", "forktail.classroom.page"):
        importlib.import_module(name)
    return {path: found.make for path, found in ROUTES.items()}


def _origins(host, port):
    """Addresses under which pages may be asked for: the host itself, or all of this machine."""
    names = {host, "localhost", "127.0.0.1"}
    if host in ("0.0.0.0", "::"):
        own = socket.gethostname()
        names |= {own, f"{own}.local"}
        try:
            names |= {info[4][0] for info in socket.getaddrinfo(own, None, socket.AF_INET)}
        except OSError:
            pass
    return [f"{name}:{port}" for name in sorted(names)]


def _free_port(host):
    with socket.socket() as probe:
        probe.bind((host, 0))
        return probe.getsockname()[1]


def _end_with_parent():
    """Let worker processes end with the server that forked them, however it ended."""
    parent = os.getpid()

    def watch():
        while os.getppid() == parent:
            time.sleep(1.0)
        os._exit(0)

    def forked():
        if os.getppid() == parent:
            threading.Thread(target=watch, daemon=True, name="forktail-parent").start()

    os.register_at_fork(after_in_child=forked)


def _settle_memory():
    """Keep the collector's pauses short: a page of a class must not wait for a walk over all.

    What is loaded at the start stays for good and is not walked again, and a session is some
    20,000 objects that live together, so looking after every 700 finds nothing.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(5_000, 5, 10)
    collect_when_quiet()


def make_server(
    port=5006, host="127.0.0.1", workers=1, open_browser=False, start=False, room_code=None
):
    """Build the server.

    Parameters
    ----------
    port : int
        0 takes a free one.
    host : str
        Address to listen on; loopback unless told otherwise.
    workers : int
        Worker processes.
    open_browser, start : bool
        Open the page in the user's browser; run until stopped.
    room_code : str, optional
        What a presenter must know to open the class room; without it one is made up. The
        terminal is the only place that shows it.

    Returns
    -------
    bokeh.server.server.Server

    Raises
    ------
    QuantityError
        If the address cannot be listened on, or the code is too short.
    """
    code = check_code(room_code) if room_code is not None else make_code()
    try:
        port = port or _free_port(host)
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind((host, port))
    except (OSError, OverflowError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise QuantityError(
            f"cannot listen on {host}:{port} ({reason}); choose another with --port or --host."
        ) from None
    logging.getLogger("bokeh").setLevel(logging.WARNING)
    logging.getLogger("tornado.access").setLevel(logging.ERROR)
    print(
        f"Forktail is at http://{'127.0.0.1' if host == '0.0.0.0' else host}:{port}/ "
        f"(stop it with Ctrl+C)\nRoom code for the presenter of a class: {code}",
        file=sys.stderr,
        flush=True,
    )
    routes = load_pages()
    room = make_room(code, [path.lstrip("/") for path in routes if path != "/class"], workers)
    if workers == 1:  # forked workers read the lessons when they are first wanted
        lessons_shelf.warm()
    else:
        _end_with_parent()
    AHEAD.prepare()  # whoever comes first does not wait for what the first page of all loads
    _settle_memory()
    send_promptly()
    SafeHeaders.pages = frozenset(path.rstrip("/") for path in routes)
    origins = _origins(host, port)
    server = pn.serve(
        routes,
        port=port,
        address=host,
        show=open_browser,
        start=False,
        title="Forktail",
        websocket_origin=origins,
        num_procs=workers,
        verbose=False,
        static_dirs={"assets": str(assets_dir())},
        extra_patterns=[*HANDLERS, *lessons_handler.HANDLERS, *room_patterns(room, host)],
        websocket_max_message_size=MAX_MESSAGE,
        http_server_kwargs=dict(HTTP_LIMITS),
        transforms=[SafeHeaders],
        default_handler_class=Refusal,
        default_handler_args={},
    )
    guard(server, routes, origins)
    if start:
        server.start()
        server.io_loop.start()
    return server


def run(port=5006, host="127.0.0.1", workers=1, open_browser=True, lessons=None, room_code=None):
    """Serve until stopped; returns the exit status.

    `lessons` is a folder of lessons to serve beside those of the app, read again as its
    files change.
    """
    if lessons:
        lessons_shelf.use_folder(lessons)
    try:
        make_server(port, host, workers, open_browser, start=True, room_code=room_code)
    except KeyboardInterrupt:
        pass
    return 0
