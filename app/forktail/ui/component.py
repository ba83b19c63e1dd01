"""What all components of our own share: look, width, and a channel of small patches."""

import itertools
import json

import param
from panel.io.document import hold

from forktail.ui.panel_private import BareComponent

#: The one style sheet of the app; every component's shadow root links it.
STYLE = "assets/ui/app.css"


class Component(BareComponent):
    """A component whose `patch` reaches the browser as one text.

    Setting `patch` (a dict of plain values) sends it, equal ones too: a word can be said twice. It
    travels as JSON in the property `wire` of the browser's model, past Panel's own way from a
    parameter to a model, which costs more than all the arithmetic of an event. In the browser:
    `model.on("wire", ...)`, and `JSON.parse(model.wire)[1]` is the patch. Before there is a
    browser only the last patch is kept.
    """

    wire = param.String(default="[0,{}]", doc="Count and patch; written by `patch` only.")

    #: Style sheets beside that of the app.
    sheets = ()

    def __init__(self, **params):
        params.setdefault("stylesheets", [STYLE, *self.sheets])
        params.setdefault("sizing_mode", "stretch_width")
        params.setdefault("margin", 0)
        self._patch, self._count = {}, itertools.count(1)
        super().__init__(**params)

    @property
    def patch(self):
        """The last patch."""
        return self._patch

    @patch.setter
    def patch(self, patch):
        self._patch = patch
        models = self.models
        if not models:
            return
        wire = self._wire()
        for model in models:
            if model.document is None or model.document.callbacks.hold_value:
                model.data.wire = wire
            else:  # a message arrives without the lock that a change of a model needs
                with hold(model.document):
                    model.data.wire = wire

    def _wire(self):
        return json.dumps(
            [next(self._count), self._patch],
            separators=(",", ":"),
            ensure_ascii=False,
            allow_nan=False,
        )

    def opened(self, model):
        """Hand a browser the last patch."""
        model.data.wire = self._wire()
