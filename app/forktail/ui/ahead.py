"""One page made ahead, while the server has nothing else to do, for whoever comes next.

Making the plots of a page is most of what opening it costs, and it is the same for everybody: only
the link differs, and is applied to a page that is there already.
"""

import asyncio

#: Seconds of no further visit after which the next page is made: by then the browser has painted
#: the last one, whose loading needs this processor too, and a class that arrives together is
#: not held up by pages that nobody has asked for.
QUIET = 1.5


class Ahead:
    """Hands out pages of one class: the one made ahead, or else a new one.

    Parameters
    ----------
    make : callable
        Makes a page (`shell.Page`) in its default scene, without arguments and without a document.
    """

    def __init__(self, make):
        self.make, self.kept, self._timer = make, None, None

    def take(self):
        """Return a page that nobody else has."""
        page, self.kept = self.kept, None
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:  # no server: a test, or a page made by hand
            loop = None
        if loop is not None:
            if self._timer is not None:
                self._timer.cancel()
            self._timer = loop.call_later(QUIET, self.prepare)
        return page or self.make()

    def prepare(self):
        """Make the page for the next visit, drawn in its default scene."""
        if self.kept is None:
            page = self.make()
            page.refresh()
            page.controls.refresh()
            self.kept = page
