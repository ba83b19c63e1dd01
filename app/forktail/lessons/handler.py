"""The address /preview: one lesson with all its hints and answers (`?id=one-pair&seed=2`)."""

from concurrent.futures import ThreadPoolExecutor

from tornado.ioloop import IOLoop
from tornado.iostream import StreamClosedError
from tornado.web import RequestHandler

from forktail.lessons import shelf
from forktail.lessons.preview import of_link

#: One at a time: a way to each task is searched, and sliders must not wait for that.
_POOL = ThreadPoolExecutor(max_workers=1, thread_name_prefix="forktail-preview")


class PreviewHandler(RequestHandler):
    """Works the page out in a thread of its pool."""

    async def get(self):
        """Answer one request."""
        wanted, seed = (self.get_query_argument(n, "")[:60] for n in ("id", "seed"))
        self.set_header("Content-Type", "text/html; charset=utf-8")
        self.set_header("Cache-Control", "no-store")
        text, there = await IOLoop.current().run_in_executor(
            _POOL, lambda: of_link(shelf.library(), wanted, seed or "0")
        )
        if not there:
            self.set_status(404)
        try:
            await self.finish(text)
        except StreamClosedError:  # the reader went away
            pass


HANDLERS = [(r"/preview", PreviewHandler)]
