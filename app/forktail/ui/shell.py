"""The frame of every page: head, navigation, named places for views, foot."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from urllib.parse import urlencode

import panel as pn
from panel.io.document import hold, init_doc
from panel.io.resources import LOCAL_DIST, parse_template

from forktail.resources import asset_text, assets_dir
from forktail.ui.palette import swatch
from forktail.ui.panel_private import leave_with_session
from forktail.ui.plots import Plot


@dataclass(frozen=True)
class Route:
    """Where a page is served: `path` as `/signals`, `make` fills the document of a session.

    `label` is what the navigation calls it and `order` its turn there; without a label it is
    not in the navigation.
    """

    path: str
    make: Callable
    label: str = ""
    order: int = 0

    @property
    def link(self):
        """Relative address, so that a proxy may serve the app under a folder."""
        return self.path.lstrip("/") or "./"


#: Every page that has been loaded, by its path; a page adds itself with `route`.
ROUTES = {}


def route(path, label="", order=0):
    """Decorator: serve what a function makes at a path; `label` and `order` as `Route`."""

    def add(make):
        ROUTES[path] = Route(path, make, label, order)
        return make

    return add


def labelled():
    """Every `Route` with a label, in order."""
    return sorted((r for r in ROUTES.values() if r.label), key=lambda r: r.order)


def navigation(current):
    """Links to the pages with a label; `current` is the path of the one shown."""
    return "".join(
        f'<a href="{r.link}"{" aria-current=page" if r.path == current else ""}>{r.label}</a>'
        for r in labelled()
    )


def frame(key, body, current):
    """Jinja text of a page: the frame around a body, with the look of the page if it has one."""
    sheet = f"pages/{key}/style.css"
    has_sheet = (assets_dir() / sheet).is_file()
    text = asset_text("ui/frame.html")
    for mark, part in (
        ("STYLE", f'<link rel="stylesheet" href="assets/{sheet}">' if has_sheet else ""),
        ("NAV", navigation(current)),
        ("KEY", key),
        ("BODY", body),
    ):
        text = text.replace(f"[[{mark}]]", part)
    # [[line output]] is a piece of the line of that meaning, for a key
    return re.sub(r"\[\[line ([a-z ]+)\]\]", lambda found: swatch(found[1]), text)


def page(key, title, roots, body=None, current=None):
    """Fill the document of the present session: frame, body and roots.

    The document is made as Bokeh makes one, not through Panel's templates: those dress every root
    in style sheets of their design, walk the whole document for each, and cost more than half
    of what opening a page did.

    Parameters
    ----------
    key : str
        The body is `assets/pages/KEY/body.html`, where `plot(name, caption)` and
        `embed(roots.NAME)` place the roots, its look `assets/pages/KEY/style.css`, if there is one.
    title : str
    roots : dict
        Name -> `Component` or `Plot`; a plot stands under the name of its figure.
    body : str, optional
        Jinja text instead of `assets/pages/KEY/body.html`.
    current : str, optional
        Path of the page that the navigation marks, if it is not `/KEY`.
    """
    document = init_doc(pn.state.curdoc)
    text = frame(key, body or asset_text(f"pages/{key}/body.html"), current or f"/{key}")
    document.template, document.title = parse_template(text), f"{title} \u00b7 Forktail"
    # a session is not joined again: a restarted server knows only the link it was opened with.
    # The page itself says that the connection is lost, and loads again (assets/ui/page.js).
    document.config.update(
        reconnect_session=False, notifications=None, notify_connection_status=False
    )
    # with several workers the socket may reach one that has written no page: there Panel would
    # name its style sheets on another host
    document.template_variables["dist_url"] = LOCAL_DIST
    document.template_variables["has_controls"] = "controls" in roots
    leave_with_session(document)
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
        self.state.param.watch(self.changed, self.state.watched())

    def changed(self, *events):
        """Draw again after a change of the state."""
        document = pn.state.curdoc
        if document is None:
            self.redraw()
            return
        with hold(document):
            self.redraw()

    def redraw(self):
        """Draw the state and its controls, whether or not anything changed."""
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
