"""The frame of every page: head, navigation, named places for views, foot."""

from html import escape

import panel as pn
from panel.io.document import hold

PAGES = (("steer", "/", "Steer"),)

_HEAD = """
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="description" content="See, try and check how steering a tail current multiplies two signals">
<link rel="icon" href="assets/icon.svg" type="image/svg+xml">
<link rel="stylesheet" href="assets/css/app.css">
<script src="assets/js/page.js"></script>
"""

_TEMPLATE = """
{% extends base %}
{% block title %}TITLE \u00b7 Forktail{% endblock %}
{% block preamble %}HEAD{% endblock %}
{% block contents %}
<a class="skip" href="#main">Skip to the page</a>
<header class="top">
  <a class="brand" href="/" aria-label="Forktail, start">
    <svg viewBox="0 0 32 32" aria-hidden="true"><path d="M16 30V20M16 20C16 12 7 14 6 3M16 20c0-8 9-6 10-17"/></svg>
    <span>Forktail</span></a>
  <nav aria-label="Pages">NAV</nav>
  <div class="top-tools">
    <button type="button" id="forktail-theme" aria-label="Light or dark">Dark</button>
  </div>
</header>
<div id="forktail-lost" role="alert" hidden>The connection to the server is lost. What you set is kept in
this page's link; <button type="button" onclick="location.reload()">load again</button> to go on.</div>
<main id="main" class="page-KEY">
BODY
</main>
{% endblock %}
"""


def figure_box(name, caption, exports=("csv", "png", "svg"), cls=""):
    """A captioned place for a plot named `name`, with its export buttons."""
    buttons = "".join(
        f'<button type="button" data-export="{kind}" data-plot="{name}" '
        f'aria-label="Save {escape(caption)} as {kind.upper()}">{kind.upper()}</button>'
        for kind in exports)
    return (f'<figure class="plot {cls}" id="plot-{name}"><figcaption><span>{escape(caption)}</span>'
            f'<span class="exports">{buttons}</span></figcaption>'
            f'<div class="canvas">{{{{ embed(roots.{name}) }}}}</div></figure>')


def page(key, title, body, roots):
    """Build the template of a page.

    Parameters
    ----------
    key : str
        Key of `PAGES`.
    title : str
    body : str
        Jinja markup with `{{ embed(roots.NAME) }}` for each root.
    roots : dict
        Name -> Panel object.
    """
    nav = "".join(
        f'<a href="{path}"{" aria-current=page" if name == key else ""}>{label}</a>'
        for name, path, label in PAGES)
    text = (_TEMPLATE.replace("TITLE", escape(title)).replace("HEAD", _HEAD)
            .replace("NAV", nav).replace("KEY", key).replace("BODY", body))
    template = pn.Template(text)
    for name, view in roots.items():
        template.add_panel(name, view)
    return template


def plot_pane(plot):
    """Panel pane of a `Plot`."""
    return pn.pane.Bokeh(plot.figure, sizing_mode="stretch_both", margin=0)


def query_of_session():
    """Query string with which the page was opened."""
    from urllib.parse import urlencode
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
        self.state.param.watch(self._changed, self.state.fields())

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
        for plot in self.plots:
            if plot.theme != theme:
                plot.set_theme(theme)
