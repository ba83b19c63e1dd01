"""All that the app takes from Panel, Bokeh and tornado without a public name.

No other module uses a private name of a foreign package, or overrides one. What is used is listed
in `RELIES_ON`, and `tests/unit/ui/test_panel_private.py` holds it against the installed releases.
"""

import gc

import panel as pn
from bokeh.models import ImportedStyleSheet
from panel.custom import JSComponent
from panel.io import document as panel_document
from panel.io.state import set_curdoc

from forktail.ui.quiet import when_quiet

#: Package -> dotted owners and names. Of a class, the name may be one that its objects get.
RELIES_ON = {
    "panel": (
        "panel.custom.JSComponent._bokeh_model",
        "panel.custom.JSComponent._bundle_path",
        "panel.custom.JSComponent._documents",
        "panel.custom.JSComponent._esm",
        "panel.custom.JSComponent._get_model",
        "panel.custom.JSComponent._get_properties",
        "panel.custom.JSComponent._handle_msg",
        "panel.custom.JSComponent._linked_properties",
        "panel.custom.JSComponent._models",
        "panel.custom.JSComponent._process_bokeh_event",
        "panel.custom.JSComponent._process_event",
        "panel.custom.JSComponent._server_destroy",
        "panel.io.document._garbage_collect",
        "panel.io.state._state._destroy_session",
    ),
    "bokeh": ("bokeh.server.server.Server._tornado",),
    "tornado": ("tornado.iostream.IOStream._write_buffer",),
}
#: Package -> script that it serves and names in it, for `assets/ui/page.js`.
RELIES_ON_SCRIPT = {"bokeh": ("server/static/js/bokeh.min.js", ("__parseFont", "_get_css_value"))}

# Panel loads a stand-in for import() in old browsers; `page.js` hands it the browser's own
JSComponent._bokeh_model.__javascript_raw__ = []


class BareComponent(JSComponent):
    """A component of Panel without what nothing here uses: design, bundles, counts of events."""

    #: Script of the component, below `assets/`.
    script = ""
    _bundle_path = None

    def __init_subclass__(cls, **options):
        super().__init_subclass__(**options)
        # by address: the browser keeps it, components share it, Panel does not parse it as JSX
        cls._esm = f"./assets/{cls.script}"

    @property
    def models(self):
        """Bokeh models of this component, one for each browser that shows it."""
        return [model for model, _ in self._models.values()]

    def join(self, document, name):
        """Become the root `name` of a document, and leave with its session."""
        model = self.get_root(document, preprocess=False)
        model.name = name
        self._documents[document] = model
        document.add_root(model)
        document.on_session_destroyed(self._server_destroy)

    def opened(self, model):
        """A browser is about to show this component through `model`: bring it up to date."""

    def handle(self, message):
        """Take a message of the browser, whatever its shape."""

    def _handle_msg(self, message):
        self.handle(message)

    @property
    def _linked_properties(self):
        """None: what a browser says comes as messages, which are checked."""
        return ()

    def _process_bokeh_event(self, doc, event):
        """As Panel, without its count of busy events, which nothing here shows."""
        with set_curdoc(doc):
            self._process_event(event)

    def _get_properties(self, doc):
        return {
            **super()._get_properties(doc),
            # our sheets only, none of Panel's own design
            "stylesheets": [ImportedStyleSheet(url=url) for url in self.stylesheets],
            "bundle": "url",
        }

    def _get_model(self, doc, root=None, parent=None, comm=None):
        model = super()._get_model(doc, root, parent, comm)
        self.opened(model)
        return model


def leave_with_session(document):
    """Let Panel forget what it holds of a session when that ends."""
    document.on_session_destroyed(pn.state._destroy_session)


def collect_when_quiet():
    """Let the collection that Panel orders when sessions end wait until nobody moves anything.

    It walks over all pages that are open: half a second with a class. Returns what Panel calls now.
    """

    def collect():
        try:
            when_quiet(gc.collect, most=300.0)
        except RuntimeError:  # a thread without a loop
            gc.collect()

    panel_document._garbage_collect = collect
    return collect


def handle_first(server, rule):
    """Set a routing rule (`tornado.routing.Rule`) before all handlers of a Bokeh server."""
    server._tornado.add_handlers(".*", [rule])


def bytes_waiting(stream):
    """Bytes that wait to be sent on a stream of tornado; none once it has closed."""
    return len(stream._write_buffer or ())
