"""Markup views: SVG or HTML made once here, then patched by id with only what changed."""

import param
from panel.custom import JSComponent

from ..resources import assets_dir

#: The one style sheet of the app; every component's shadow root links it.
STYLE = "assets/css/app.css"


class MarkupView(JSComponent):
    """Shows `markup` and applies `patch` ({id: {attribute: value}}; "#" is the text).

    Every text that reaches the markup goes through `html.escape` in the view that writes it.
    """

    markup = param.String(default="", doc="SVG or HTML with data-id on what changes.")
    patch = param.Dict(default={}, doc="Last patch sent.")

    _esm = assets_dir() / "js" / "markup.js"

    def __init__(self, **params):
        params.setdefault("stylesheets", [STYLE])
        params.setdefault("sizing_mode", "stretch_width")
        params.setdefault("margin", 0)
        super().__init__(**params)
        self._sent = {}

    def rebuild(self, markup, values):
        """Replace the whole markup, `values` being the patch that brings it up to date."""
        self._sent = {i: dict(a) for i, a in values.items()}
        # the patch goes first: the browser applies it when it builds the new markup
        self.patch = values
        self.markup = markup

    def update(self, values):
        """Send those attributes of `values` that differ from what the browser has."""
        changed = {}
        for node, attributes in values.items():
            had = self._sent.setdefault(node, {})
            new = {n: v for n, v in attributes.items() if had.get(n, self) != v}
            if new:
                had.update(new)
                changed[node] = new
        if changed and not self._models:
            # no browser yet: it will see the last patch only, so that one is made whole
            self.patch = {i: dict(a) for i, a in self._sent.items()}
        elif changed:
            self.patch = changed
