"""What all components of our own share: look, width, and a channel of small patches."""

import itertools
import json

import param
from bokeh.models import ImportedStyleSheet
from panel.custom import JSComponent
from panel.io.document import hold
from panel.io.state import set_curdoc

from forktail.resources import assets_dir

# Panel loads a stand-in for import() in old browsers; `page.js` hands it the browser's own
JSComponent._bokeh_model.__javascript_raw__ = []

#: The one style sheet of the app; every component's shadow root links it.
STYLE = "assets/ui/app.css"


class Component(JSComponent):
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
        if not self._models:
            return
        wire = self._wire()
        for model, _ in self._models.values():
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

    @property
    def _linked_properties(self):
        """None: what a browser says comes as messages, which are checked."""
        return ()

    def join(self, document, name):
        """Become the root `name` of a document, and leave with its session."""
        model = self.get_root(document, preprocess=False)
        model.name = name
        self._documents[document] = model
        document.add_root(model)
        document.on_session_destroyed(self._server_destroy)

    def _process_bokeh_event(self, doc, event):
        """As Panel, without its count of busy events, which nothing here shows."""
        with set_curdoc(doc):
            self._process_event(event)

    def _get_properties(self, doc):
        return {
            **super()._get_properties(doc),
            # our sheets only, none of Panel's own design
            "stylesheets": [ImportedStyleSheet(url=url) for url in self.stylesheets],
            # by address: the browser keeps it, views share it, Panel does not parse it as JSX
            "bundle": "url",
            "esm": f"./assets/{self._esm.relative_to(assets_dir()).as_posix()}",
        }

    def _get_model(self, doc, root=None, parent=None, comm=None):
        model = super()._get_model(doc, root, parent, comm)
        model.data.wire = self._wire()
        return model
