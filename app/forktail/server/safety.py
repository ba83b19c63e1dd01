"""What the server refuses, and the headers that every answer carries.

Each refusal of a page is a page with one sentence. Limits of the class room are in `limits` and
in `classroom`, those of files and links where they are read.
"""

import base64
import hashlib
import re
import secrets
from urllib.parse import urlsplit

from bokeh.server.util import check_allowlist
from bokeh.settings import settings
from tornado.ioloop import PeriodicCallback
from tornado.routing import Matcher, Rule
from tornado.web import OutputTransform, RequestHandler

from forktail.server.sockets import PromptSocket
from forktail.ui.panel_private import bytes_waiting, handle_first
from forktail.ui.shell import labelled
from forktail.ui.templates import render

#: Sessions of one process. A class of 60 that all turn a page at once holds about 180 for half a
#: minute, since a session outlives its page by so long.
MAX_SESSIONS = 300
#: Path and query, characters: the link travels once more inside a header of the websocket.
MAX_LINK = 16_000
#: Largest message of a page, bytes: a piece of a capture is half of it.
MAX_MESSAGE = 2 * 2**20
#: What waits to be sent to a page that does not read, bytes, and how often that is looked at, ms.
MAX_BACKLOG, BACKLOG_CHECK = 16 * 2**20, 5_000

#: For `bokeh.server.server.Server`: slow or endless requests are cut off. Nothing posts a body.
HTTP_LIMITS = {"idle_connection_timeout": 60, "body_timeout": 10, "max_body_size": 64 * 2**10}

#: Seconds after which a page that found no room tries again.
AGAIN = 20

HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
    "Server": "Forktail",
}
_POLICY = (
    "default-src 'none'; connect-src 'self' ws: wss: blob:; img-src 'self' data: blob:; "
    "style-src 'self' 'unsafe-inline'; font-src 'self' data:; media-src 'self' blob:; "
    "manifest-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; "
    "object-src 'none'; script-src 'self' 'unsafe-hashes' 'sha256-"
    # the Print button of a bench plan, which works in a saved file too
    + base64.b64encode(hashlib.sha256(b"print()").digest()).decode()
    + "'"
)
_SCRIPT = re.compile(rb"<script(?=[\s>])")


class SafeHeaders(OutputTransform):
    """Adds the headers to every answer; pages of Bokeh get a fresh nonce for their own scripts.

    The scripts that Bokeh writes into a page (resources, roots, token) hold no text of a user; its
    one block of data is JSON with `<` escaped. Whatever reaches the page later has no nonce and
    does not run, and neither does an attribute such as `onerror`.
    """

    #: Paths of pages made by Bokeh.
    pages = frozenset()

    def __init__(self, request):
        self.is_page = request.path.rstrip("/") in self.pages

    def transform_first_chunk(self, status_code, headers, chunk, finishing):
        """Write the headers."""
        for name, text in HEADERS.items():
            headers[name] = text
        policy = _POLICY
        if self.is_page and headers.get("Content-Type", "").startswith("text/html"):
            nonce = secrets.token_urlsafe(16)
            chunk = _SCRIPT.sub(f'<script nonce="{nonce}"'.encode(), chunk)
            # Bokeh compiles its callbacks ('unsafe-eval'); Panel fetches and loads views
            # as blob: modules
            policy += f" 'nonce-{nonce}' 'unsafe-eval' blob:"
            if finishing and "Content-Length" in headers:
                headers["Content-Length"] = str(len(chunk))
            headers.pop("Etag", None)  # no two pages are equal
        headers["Content-Security-Policy"] = policy
        return status_code, headers, chunk


class Refusal(RequestHandler):
    """A page with one sentence."""

    def initialize(self, status=404, sentence="", again=False):
        self.refused, self.sentence, self.again = status, sentence, again

    def prepare(self):
        """Answer, whatever the method."""
        sentence = self.sentence or (
            f"There is no page at {self.request.path[:80]}. Perhaps the address was cut short."
        )
        self.set_status(self.refused)
        self.set_header("Content-Type", "text/html; charset=utf-8")
        self.set_header("Cache-Control", "no-store")
        if self.again:
            self.set_header("Retry-After", str(AGAIN))
        # as many folders up as the address goes down, since a proxy may serve all this in a folder
        top = "../" * self.request.path.count("/", 1) or "./"
        again = AGAIN if self.again else 0
        pages = () if self.again else labelled()
        self.finish(render("ui/refusal.html", sentence=sentence, top=top, again=again, pages=pages))


class Guard(Matcher):
    """Picks out the requests that are refused before they cost anything.

    Parameters
    ----------
    server : bokeh.server.server.Server
    pages : iterable of str
        Paths of the pages, `/` and others.
    origins : iterable of str
        `host:port` under which pages may be asked for, as Bokeh checks for websockets.
    """

    def __init__(self, server, pages, origins):
        self.server, self.origins = server, set(origins)
        self.pages = {path.rstrip("/") for path in pages}

    def match(self, request):
        """What Tornado hands to `Refusal`, or None to let the request pass."""
        found = self._refusal(request)
        return None if found is None else {"target_kwargs": found}

    def _refusal(self, request):
        path, _, last = request.path.rstrip("/").rpartition("/")
        making = last in ("ws", "autoload.js") and path in self.pages
        if not making and request.path.rstrip("/") not in self.pages:
            return None
        if len(request.uri) > MAX_LINK:
            return {
                "status": 414,
                "sentence": f"The link is {len(request.uri)} characters long; "
                f"at most {MAX_LINK} are read. Open the page without it, and load the scene "
                "from a file.",
            }
        if not making and not self._known(request.host):
            names = " or ".join(sorted(self._names()))
            return {
                "status": 403,
                "sentence": f"This server does not answer to the name "
                f"{request.host[:80]!r}, but to {names}.",
            }
        # the socket of a page that was let in must find its session
        most = MAX_SESSIONS + (MAX_SESSIONS // 10 if making else 0)
        if len(self.server.get_sessions()) >= most:
            return {
                "status": 503,
                "again": True,
                "sentence": f"This server holds {MAX_SESSIONS} open pages and takes no "
                f"more for the "
                "moment. Close pages that nobody looks at, and wait half a minute.",
            }
        return None

    def _names(self):
        return settings.allowed_ws_origin() or self.origins

    def _known(self, host):
        return check_allowlist(urlsplit(f"//{host}").netloc.lower(), self._names())


def guard(server, pages, origins):
    """Set the guard before a server's handlers, and a watch on pages that do not read."""
    handle_first(server, Rule(Guard(server, pages, origins), Refusal))
    watch = PeriodicCallback(drop_backlogs, BACKLOG_CHECK)
    server.io_loop.add_callback(watch.start)


def drop_backlogs(sockets=PromptSocket.open_now, most=MAX_BACKLOG):
    """Close the sockets of pages for which more than `most` bytes wait."""
    for socket in list(sockets):
        wire = socket.ws_connection
        if wire is not None and bytes_waiting(wire.stream) > most:
            wire.stream.close()  # the page, if it lives, says that its connection is lost
