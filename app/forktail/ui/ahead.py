"""One page made ahead, while the server has nothing else to do, for whoever comes next.

Making the plots of a page is most of what opening it costs, and it is the same for everybody: only
the link differs, and is applied to a page that is there already.
"""

from forktail.ui.quiet import when_quiet


class Ahead:
    """Hands out pages of one class: the one made ahead, or else a new one.

    Parameters
    ----------
    make : callable
        Makes a page (`shell.Page`) in its default scene, without arguments and without a document.
    """

    def __init__(self, make):
        self.make, self.kept, self._forget = make, None, lambda: None

    def take(self):
        """Return a page that nobody else has."""
        page, self.kept = self.kept, None
        # once nobody is about: by then the browser has painted this one, whose loading needs the
        # processor too, and a class that arrives together waits for no page that nobody asked for
        self._forget()
        try:
            self._forget = when_quiet(self.prepare)
        except RuntimeError:  # no server: a test, or a page made by hand
            pass
        return page or self.make()

    def prepare(self):
        """Make the page for the next visit, drawn in its default scene."""
        if self.kept is None:
            page = self.make()
            page.refresh()
            page.controls.refresh()
            self.kept = page
