"""What the views of every kind of scene share, and where each is placed beside the text.

A class of views takes the names of those that a lesson shows and offers:

- `roots`: name -> view (a `Plot` is wrapped by the page), named for the body,
- `plots`: the `Plot` objects, for themes and exports,
- `body()`: the Jinja text that places them,
- `show(state, names)`: draw those views of the scene; the others rest,
- `drag(state, message)`: settings that a drag on a plot asks for, {} for none,
- `csv(root, state)`: text of an export,
- `picture(state, names)` (static): SVG of a scene for print, "" if it has none.
- `readings(state, names)` (static): what the step shows in tables, for print: `card`, rows of
  (label, value), and `meter`, rows of (label, here, as designed); {} if nothing.
"""


def place(name, caption, look, root="", exports=True, drawing=""):
    """Jinja text that places one view.

    `look` is `main` (the picture), `square`, `strip` (a plot beside it or below it) or `wide`
    (below all others), all with a caption and exports; `card` (a few readings, on a phone a page of
    its own beside the plots); or `words`, bare and across the whole width. `root` is the name of
    the view among the roots of the page, where that differs from `name`. `drawing` is the class of
    its SVG for a view that is a drawing, which is how an export finds it.
    """
    root = root or name
    if look == "words":
        cls, inner = "view view-words", f"{{{{ embed(roots.{root}) }}}}"
    elif look == "card":
        cls = "view view-card"
        inner = (
            f'<section class="plot" aria-label="{caption}">{{{{ embed(roots.{root}) }}}}</section>'
        )
    elif drawing:
        cls = f"view view-plot view-{look}"
        inner = (
            f'<figure class="plot" id="plot-{root}" aria-label="{caption}"><figcaption><span>'
            f'{caption}</span>{{{{ exports("{drawing}", "{caption}", ("png", "svg")) }}}}'
            f'</figcaption><div class="canvas">{{{{ embed(roots.{root}) }}}}</div></figure>'
        )
    else:
        cls = f"view view-plot view-{look}"
        kinds = "" if exports else ', "", ("png", "svg")'
        inner = f'{{{{ plot("{root}", "{caption}"{kinds}) }}}}'
    return f'<div class="{cls}" data-view="{name}">{inner}</div>\n'


class SceneViews:
    """What the views of every kind share: views by name, and roots by unambiguous names."""

    #: Whether the picture needs the whole width of a printed page.
    WIDE = False
    #: Views that are drawings: name -> class of their SVG.
    DRAWINGS = {}

    def __init__(self, kind, names, places):
        self.kind, self.places = kind, places
        self.names = tuple(n for n in places if n in names)
        self.views = {}

    def keep(self, views):
        """Take the views by name."""
        self.views = views
        self.roots = {self.root(n): v for n, v in views.items()}
        self.plots = tuple(v for v in views.values() if hasattr(v, "figure"))
        for name, view in views.items():
            if hasattr(view, "figure"):
                # exports find a plot by its name, and two kinds of scene may share a page
                view.figure.name = self.root(name)

    def root(self, name):
        """Name of a view among the roots of the page."""
        return f"{self.kind}_{name}"

    def body(self):
        """Jinja text of the views."""
        return "".join(
            place(
                n,
                *self.places[n],
                root=self.root(n),
                exports=self.has_csv(n),
                drawing=self.DRAWINGS.get(n, ""),
            )
            for n in self.views
        )

    def has_csv(self, name):
        """Whether a view can be saved as comma-separated text."""
        return True

    def drag(self, state, message):
        """Settings that a drag on a plot asks for, {} for none."""
        name = next((n for n in self.views if self.root(n) == message.get("view")), None)
        return self.dragged(state, name, float(message["x"]), float(message["y"])) if name else {}

    def dragged(self, state, name, x, y):
        """Settings that a drag on the view `name` asks for; x and y as on its axes."""
        return {}

    def csv(self, root, state):
        """Comma-separated text of the view that is this root."""
        return self.text(next(n for n in self.views if self.root(n) == root), state)

    def text(self, name, state):
        """Comma-separated text of a view."""
        return self.views[name].csv()

    @staticmethod
    def readings(state, names):
        """What a step shows in tables, for print."""
        return {}
