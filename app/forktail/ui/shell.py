"""The frame of every page: head, navigation, named places for views, foot."""

from functools import lru_cache
from html import escape
from urllib.parse import urlencode

import panel as pn
from panel.io.document import hold, init_doc
from panel.io.resources import LOCAL_DIST, _env

from forktail.resources import asset_text
from forktail.ui.plots import Plot

#: Key, path (relative, so that a proxy may serve the app under a folder) and label.
PAGES = (
    ("steer", "./", "Steer"),
    ("signals", "signals", "Signals"),
    ("uses", "uses", "Uses"),
    ("build", "build", "Build"),
    ("lessons", "lessons", "Lessons"),
    ("class", "class", "Class"),
)


@lru_cache(maxsize=64)
def _compiled(text):
    return _env.from_string(text)


def page(key, title, roots, body=None, current=None):
    """Fill the document of the present session: frame, body and roots.

    The document is made as Bokeh makes one, not through Panel's templates: those dress every root
    in style sheets of their own design, walk the whole document for each, and cost more than half
    of what opening a page did.

    Parameters
    ----------
    key : str
        Key of `PAGES`; the body is `assets/pages/KEY/body.html`, where `plot(name, caption)` and
        `embed(roots.NAME)` place the roots.
    title : str
    roots : dict
        Name -> `Component` or `Plot`; a plot stands under the name of its figure.
    body : str, optional
        Jinja text in the place of `assets/pages/KEY/body.html`.
    current : str, optional
        Key of the page that the navigation marks, if it is another one.
    """
    nav = "".join(
        f'<a href="{path}"{" aria-current=page" if name == (current or key) else ""}>{label}</a>'
        for name, path, label in PAGES
    )
    text = asset_text("ui/frame.html")
    for mark, part in (
        ("TITLE", escape(title)),
        ("NAV", nav),
        ("KEY", key),
        ("BODY", body or asset_text(f"pages/{key}/body.html")),
    ):
        text = text.replace(f"[[{mark}]]", part)
    document = init_doc(pn.state.curdoc)
    document.template, document.title = _compiled(text), f"{title} \u00b7 Forktail"
    # a session is not joined again: a restarted server knows only the link it was opened with.
    # The page itself says that the connection is lost, and loads again (assets/ui/page.js).
    document.config.update(
        reconnect_session=False, notifications=None, notify_connection_status=False
    )
    # with several workers the socket may reach one that has written no page: there Panel would
    # name its style sheets on another host
    document.template_variables["dist_url"] = LOCAL_DIST
    document.on_session_destroyed(pn.state._destroy_session)
    with document.models.freeze():  # walked once, when it is whole
        for name, root in roots.items():
            if isinstance(root, Plot):
                if root.figure.name != name:
                    raise ValueError(f"the plot '{root.figure.name}' cannot stand as '{name}'")
                document.add_root(root.figure)
            else:
                root.join(document, name)


def query_of_session():
    """Query string with which the page was opened."""
    pairs = [
        (k, v.decode("utf-8", "replace"))
        for k, vs in pn.state.session_args.items()
        for v in vs
        if not k.startswith("bokeh-")
    ]
    return urlencode(pairs)


class Page:
    """Wiring common to all pages: one refresh an event, all its changes in one message.

    A subclass sets `state`, `controls` and `plots` (list of `Plot`), and overrides `refresh`.
    """

    plots = ()

    def start(self, query):
        """Restore the scene of the link, draw, and follow the state from now on."""
        problems = self.state.apply_query(query) if query else []
        self.refresh()
        self.controls.refresh()
        if problems:
            self.controls.say(
                [
                    "Not all of the link was understood; these parts are at their defaults:",
                    *problems,
                ]
            )
        self.state.param.watch(self._changed, self.state.watched())

    def _changed(self, *events):
        document = pn.state.curdoc
        if document is None:
            self._update()
            return
        with hold(document):
            self._update()

    def _update(self):
        self.refresh()
        self.controls.refresh()

    def refresh(self):
        """Draw the present state."""
        raise NotImplementedError

    def set_theme(self, message):
        """Repaint all plots: handler of the `theme` message."""
        theme = "dark" if message.get("value") == "dark" else "light"
        # the first message of a page may come before its session counts as connected, and what
        # is held until then is dropped
        pn.state.onload(lambda: self._repaint(theme))

    def _repaint(self, theme):
        # held, because a message arrives without the lock that a change of a plot needs
        with hold(pn.state.curdoc):
            for plot in self.plots:
                if plot.theme != theme:
                    plot.set_theme(theme)
