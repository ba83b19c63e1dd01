"""Readings of a meter at rest: a table to type them in, and what they say."""

from html import escape
from urllib.parse import quote

from forktail.core.quantities import format_quantity
from forktail.pages.compare.words import STYLES
from forktail.ui.markup import MarkupView
from forktail.ui.text import keep_together


class MeterTable(MarkupView):
    """One field for each test point of the circuit; what is typed goes out as `read-TP3`."""

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        self._points = None

    def show(self, points, texts):
        """Show what was typed.

        Parameters
        ----------
        points : sequence of (name, node, where)
            As `plan.points_of`.
        texts : dict of str to str
            Name of a test point -> text of its reading.
        """
        values = {f"in-{name}": {"value": texts.get(name, "")} for name, _, _ in points}
        if points == self._points:
            self.update(values)
            return
        self._points = points
        rows = "".join(
            f'<tr><th scope="row">{name}</th><td>{escape(where)}</td><td><input type="text" '
            f'size="8" autocomplete="off" spellcheck="false" data-id="in-{name}" '
            f'data-entry="read-{name}" aria-label="{name}, {escape(where)}, volts"></td></tr>'
            for name, _, where in points
        )
        self.rebuild(
            "<p>Type what a meter of 10 M\u03a9 reads at the test points of the bench plan, each "
            "against ground, with both drives off. A few will do; more tell more.</p>"
            '<table class="meter"><thead><tr><th scope="col">Point</th><th scope="col">Where</th>'
            f'<th scope="col">Reading</th></tr></thead><tbody>{rows}</tbody></table>',
            values,
        )


class MeterAnswer(MarkupView):
    """What the readings say: verdict, next point, causes, each reading in its band."""

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        self.clear()

    def clear(self):
        """Nothing was read."""
        self.rebuild('<div class="verdict"></div>', {})

    def wait(self):
        """Work is under way."""
        self.rebuild(
            '<div class="verdict"><p role="status">Comparing the readings\u2026</p></div>', {}
        )

    def refuse(self, text):
        """Say why there is no answer."""
        self.rebuild(
            f'<div class="verdict"><p class="bad" role="alert">{escape(text)}</p></div>', {}
        )

    def show(self, found, boards):
        """Show a `RestComparison`; `boards` are links to Build and circuit files, of each cause."""
        causes = "".join(_cause(c, *board) for c, board in zip(found.causes, boards))
        telling = f'<p class="telling">{_line(found.telling)}</p>' if found.telling else ""
        rows = "".join(_row(p) for p in found.points)
        unseen = ""
        if found.unseen:
            unseen = (
                "<details class='remarks'><summary>What no reading at rest can show</summary>"
                f"<p>{_line(', '.join(found.unseen))}.</p></details>"
            )
        said = "".join(f"<p>{_line(w)}</p>" for w in found.warnings)
        self.rebuild(
            f'<div class="verdict"><p class="sentence {"sound" if found.healthy else "faulty"}" '
            f'role="status">{_line(found.verdict)}</p>{telling}<div class="causes">{causes}</div>'
            '<table class="errors"><thead><tr><th scope="col">Point</th><th scope="col">Read</th>'
            '<th scope="col">Planned</th><th scope="col">Healthy boards</th></tr></thead>'
            f"<tbody>{rows}</tbody></table>{unseen}{said}</div>",
            {},
        )


def _row(point):
    read, planned, low, high = (
        format_quantity(v, "V", 4) for v in (point.measured, point.predicted, point.low, point.high)
    )
    out = "" if point.inside else ' <b class="out">outside</b>'
    return (
        f'<tr><th scope="row">{escape(point.name)}</th><td>{read}</td><td>{planned}</td>'
        f"<td>{low} to {high}{out}</td></tr>"
    )


def _cause(cause, link, file):
    alike = "".join(f"<li>{_line(t)}</li>" for t in cause.titles[1:])
    alike = f"<p>Cannot be told from it:</p><ul>{alike}</ul>" if alike else ""
    return (
        f'<div class="cause"><p class="title"><b>{_line(cause.title)}</b> '
        f'<span class="share">{cause.share}</span></p><p>{_line(cause.evidence)}</p>{alike}'
        f'<p class="todo">{_line(cause.advice)}</p><p class="write">Write this into the circuit: '
        f'<a href="{escape(link, quote=True)}">on Build</a>, <a download="board-as-found.toml" '
        f'href="data:text/plain;charset=utf-8,{quote(file)}">as a file</a></p></div>'
    )


def _line(text):
    return escape(keep_together(text))
