"""Markup views: SVG or HTML made once here, then patched by id with only what changed."""

import param

from forktail.ui.component import Component


class MarkupView(Component):
    """Shows `markup` and applies `patch` ({id: {attribute: value}}; "#" is the text).

    Every text that reaches the markup goes through `ui.html.escape` in the view that writes it.
    """

    markup = param.String(default="", doc="SVG or HTML with data-id on what changes.")

    script = "ui/markup.js"

    def __init__(self, **params):
        super().__init__(**params)
        self.sent = {}  # what the browser has

    def rebuild(self, markup, values):
        """Replace the whole markup, `values` being the patch that brings it up to date."""
        self.sent = {i: dict(a) for i, a in values.items()}
        # the patch goes first: the browser applies it when it builds the new markup
        self.patch = values
        self.markup = markup

    def resend(self, node, attribute):
        """Send an attribute again at the next update: the user has changed it in the browser."""
        self.sent.get(node, {}).pop(attribute, None)

    def update(self, values):
        """Send those attributes of `values` that differ from what the browser has."""
        changed = {}
        for node, attributes in values.items():
            had = self.sent.setdefault(node, {})
            new = {n: v for n, v in attributes.items() if had.get(n, self) != v}
            if new:
                had.update(new)
                changed[node] = new
        if changed and not self.models:
            # no browser yet: it will see the last patch only, so that one is made whole
            self.patch = {i: dict(a) for i, a in self.sent.items()}
        elif changed:
            self.patch = changed
