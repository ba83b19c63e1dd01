"""Bars that say how a whole is shared: a name, a bar and a percentage each."""

from forktail.core.quantities import format_fixed
from forktail.ui.html import element
from forktail.ui.markup import MarkupView


class SharesView(MarkupView):
    """A table of (name, %) with bars, and a sentence below it; hidden while nothing is shared."""

    def __init__(self, caption, note, **params):
        super().__init__(**params)
        self._caption, self._note, self._names = caption, note, None

    def show(self, shares):
        """Show shares: a sequence of (name, %), in this order."""
        names = tuple(name for name, _ in shares)
        values = {"shares": {"hidden": None if shares else ""}}
        for n, (_, percent) in enumerate(shares):
            values[f"bar{n}"] = {"style": f"width: {percent:.1f}%"}
            values[f"part{n}"] = {"#": format_fixed(percent, 1, "%")}
        if names == self._names:
            self.update(values)
            return
        self._names = names
        rows = "".join(
            element(
                "tr",
                inside=element("th", name, scope="row")
                + element("td", inside=element("span", class_="bar", data_id=f"bar{n}"))
                + element("td", data_id=f"part{n}"),
            )
            for n, name in enumerate(names)
        )
        self.rebuild(
            element(
                "div",
                inside=element(
                    "table",
                    inside=element("caption", self._caption) + element("tbody", inside=rows),
                )
                + (element("p", self._note) if self._note else ""),
                class_="shares",
                data_id="shares",
            ),
            values,
        )
