"""The frame of every page: head, navigation, named places for views, foot."""

from html import escape
from urllib.parse import urlencode

import panel as pn
from panel.io.document import hold
from panel.io.resources import LOCAL_DIST

from ..resources import asset_text

#: Key, path (relative, so that a proxy may serve the app under a folder) and label.
PAGES = (
    ("steer", "./", "Steer"),
    ("signals", "signals", "Signals"),
    ("uses", "uses", "Uses"),
    ("build", "build", "Build"),
    ("lessons", "lessons", "Lessons"),
    ("class", "class", "Class"),
)


class _Frame(pn.Template):
    """A page whose document is walked once, when it is whole, not again for each root."""

    def server_doc(self, doc=None, title=None, location=True):
        doc = doc or pn.io.curdoc()
        with doc.models.freeze():
            return super().server_doc(doc, title, location)


def page(key, title, roots, body=None, current=None):
    """Build the template of a page from `assets/html/frame.html` and its own body.

    Parameters
    ----------
    key : str
        Key of `PAGES`; the body is `assets/html/KEY.html`, where `plot(name, caption)` and
        `embed(roots.NAME)` place the roots.
    title : str
    roots : dict
        Name -> Panel object.
    body : str, optional
        Jinja text in the place of `assets/html/KEY.html`.
    current : str, optional
        Key of the page that the navigation marks, if it is another one.
    """
    nav = "".join(
        f'<a href="{path}"{" aria-current=page" if name == (current or key) else ""}>{label}</a>'
        for name, path, label in PAGES)
    text = asset_text("html/frame.html")
    for mark, part in (("TITLE", escape(title)), ("NAV", nav), ("KEY", key),
                       ("BODY", body or asset_text(f"html/{key}.html"))):
        text = text.replace(f"[[{mark}]]", part)
    template = _Frame(text)
    for name, view in roots.items():
        template.add_panel(name, view)
    if pn.state.curdoc is not None:
        # a session is not joined again: a restarted server knows only the link it was opened with.
        # The page itself says that the connection is lost, and loads again (assets/js/page.js).
        pn.state.curdoc.config.update(reconnect_session=False, notifications=None,
                                      notify_connection_status=False)
        # with several workers the socket may reach one that has written no page: there Panel would
        # name its style sheets on another host
        pn.state.curdoc.template_variables["dist_url"] = LOCAL_DIST
    return template


def plot_pane(plot):
    """Panel pane of a `Plot`."""
    return pn.pane.Bokeh(plot.figure, sizing_mode="stretch_both", margin=0)


def query_of_session():
    """Query string with which the page was opened."""
    pairs = [(k, v.decode("utf-8", "replace")) for k, vs in pn.state.session_args.items()
             for v in vs if not k.startswith("bokeh-")]
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
            self.controls.say(["Not all of the link was understood; these parts are at their "
                               "defaults:", *problems])
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
