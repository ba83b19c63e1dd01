"""What the Signals page says in words and figures: sentence, cursor, figures, table of lines."""

from forktail.core.quantities import format_quantity
from forktail.pages.signals.waveforms import cursor_values
from forktail.ui.html import escape
from forktail.ui.markup import MarkupView
from forktail.ui.palette import MARKS
from forktail.ui.text import csv_text, decibels, keep_together, minus

_REMARKS = 4
_FIGURES = 6
#: What the short table calls a figure; its full name is in the table below the plots.
_SHORT = {
    "product_error": "Departure from a true product",
    "uneven": "Unevenness of half cycles",
    "sideband": "Sum and difference, each",
    "carrier_suppression": "Carrier suppression, one sideband",
    "carrier_suppression_peak": "Carrier suppression, peak envelope",
    "leak": "Sideband over the other leak",
    "distortion": "Harmonic distortion",
    "third_order": "Third-order products",
}
#: Rows of the table of lines, at most.
_LINES = 24


def sentence(scene):
    """One sentence that says what comes out now."""
    return scene.run.sentence


def why(scene):
    """Where and why the output inverts."""
    run = scene.run
    changes = len(run.flips)
    if not changes:
        v = run.v_lower
        if float(abs(v).max()) == 0.0:
            return "The lower input is zero: both upper pairs get half the tail, and cancel."
        side = "positive" if float(v.max()) > 0 else "negative"
        return (
            f"The lower input stays {side}, so the output keeps its phase throughout: only "
            "its size follows the lower input."
        )
    return (
        "While the lower input is negative, Q6 takes most of the tail current and the crossed "
        f"pair inverts the output: {changes} sign changes in the window."
    )


def remarks(scene):
    """(class, text) of what deserves a word: a window, moved frequencies, limits."""
    out = [("broken", scene.problem)] if scene.problem else []
    out += [
        ("broken", limit.text)
        for limit in scene.limits
        if not limit.holds and not limit.name.startswith("linear")
    ]
    out += [
        ("bends" if not scene.run.window.exact and text == scene.run.window.text else "", text)
        for text in scene.remarks
    ]
    if scene.run.window.exact:
        out.append(("", scene.run.window.text))
    bent = [
        limit.name.removeprefix("linear_v_")
        for limit in scene.limits
        if not limit.holds and limit.name.startswith("linear")
    ]
    if bent:
        out.append(
            (
                "bends",
                f"Past the range that follows to 1 %: the {' and the '.join(bent)} "
                f"input{'s' if len(bent) > 1 else ''}; tanh bends there.",
            )
        )
    return out[:_REMARKS]


class SignalWords(MarkupView):
    """The sentence, why the phase inverts, and remarks."""

    def __init__(self, **params):
        super().__init__(**params)
        rows = "".join(f'<li data-id="remark{n}" hidden></li>' for n in range(_REMARKS))
        self.rebuild(
            '<div class="saying"><p class="sentence" data-id="sentence"></p>'
            '<p class="why" data-id="why"></p>'
            f'<ul class="limits" aria-label="Window and limits">{rows}</ul>'
            '<p class="aside" role="status" aria-live="polite" data-polite data-id="spoken"></p>'
            "</div>",
            {},
        )

    def show(self, scene):
        """Say what a `SignalScene` does."""
        text = keep_together(sentence(scene))
        if scene.problem:
            text = "These settings cannot be run, so the last run that could is shown."
        out = {
            "sentence": {"#": text},
            "spoken": {"#": text},
            "why": {"#": keep_together(why(scene))},
        }
        rows = remarks(scene)
        for n in range(_REMARKS):
            kind, words = rows[n] if n < len(rows) else ("", "")
            out[f"remark{n}"] = {
                "#": keep_together(words),
                "hidden": None if words else "",
                "class": kind or "holds",
            }
        self.update(out)


class CursorReading(MarkupView):
    """The values at the cursor."""

    def __init__(self, **params):
        super().__init__(**params)
        self._built = False

    def show(self, scene):
        """Read a `SignalScene` at its cursor."""
        values = cursor_values(scene)
        patch = {key: {"#": text} for key, _, text in values}
        patch["spoken"] = {
            "#": "At the cursor: " + ", ".join(f"{name} {text}" for _, name, text in values)
        }
        if self._built:
            self.update(patch)
            return
        self._built = True
        cells = "".join(
            f'<div class="at-{key}"><dt>{escape(name)}</dt><dd data-id="{key}"></dd></div>'
            for key, name, _ in values
        )
        self.rebuild(
            f'<dl class="readings" aria-label="Values at the cursor">{cells}</dl>'
            '<p class="aside" role="status" aria-live="polite" data-polite data-id="spoken"></p>',
            patch,
        )


class FiguresView(MarkupView):
    """Key of the spectrum and the figures of merit, each with the textbook relation beside it."""

    def __init__(self, **params):
        super().__init__(**params)
        self._names = None

    def show(self, scene):
        """Show the figures of a `SignalScene`."""
        merits = scene.run.merits[:_FIGURES]
        lines = scene.run.spectrum.lines if scene.run.spectrum else ()
        found = {ln.origin for ln in lines if ln.db > -100.0}
        origins = [o for o in MARKS if o in found]
        values = {}
        for n, merit in enumerate(merits):
            values[f"value{n}"] = {"#": merit.reading}
            values[f"law{n}"] = {"#": merit.relation_reading or "\u2013"}
        names = (tuple(m.name for m in merits), tuple(m.relation for m in merits), tuple(origins))
        if names == self._names:
            self.update(values)
            return
        self._names = names
        key = (
            "".join(
                f'<li class="origin-{o.replace(" ", "-")}">'
                f'<span aria-hidden="true">{MARKS[o].sign}</span> {MARKS[o].words}</li>'
                for o in origins
            )
            + "<li>u, l: upper, lower frequency</li>"
        )
        rows = "".join(
            f'<tr><th scope="row" title="{escape(m.name)}">{escape(_SHORT.get(m.key, m.name))}</th>'
            f'<td data-id="value{n}"></td><td class="law" data-id="law{n}"></td></tr>'
            for n, m in enumerate(merits)
        )
        table = (
            (
                '<table class="figures"><thead><tr><th scope="col">Figure</th>'
                '<th scope="col">here</th><th scope="col">textbook</th></tr></thead>'
                f"<tbody>{rows}</tbody></table>"
            )
            if merits
            else ""
        )
        self.rebuild(f'<ul class="key" aria-label="Origin of the lines">{key}</ul>{table}', values)


class LinesTable(MarkupView):
    """Every number of the page in tables; they are kept up only while they are open."""

    def __init__(self, **params):
        super().__init__(**params)
        self._shape, self._scene, self.open = None, None, False

    def handle(self, message):
        if isinstance(message, dict) and message.get("kind") == "open":
            self.open = bool(message.get("open"))
            if self.open and self._scene is not None:
                self.show(self._scene)

    def show(self, scene):
        """Show the numbers of a `SignalScene`."""
        self._scene = scene
        if not self.open and self._shape is not None:
            return
        run = scene.run
        lines = sorted(run.spectrum.lines, key=lambda ln: -ln.peak) if run.spectrum else []
        lines = lines[:_LINES]
        values = {}
        for n, ln in enumerate(lines):
            orders = minus(", ".join(map(str, ln.orders)))
            cells = (
                format_quantity(ln.frequency, "Hz", 5),
                format_quantity(ln.peak, "V"),
                decibels(ln.db),
                f"{MARKS[ln.origin].sign} {MARKS[ln.origin].words}",
                ln.label,
                orders or "\u2013",
                ", ".join(ln.also) or "\u2013",
            )
            values |= {f"r{n}c{k}": {"#": text} for k, text in enumerate(cells)}
        rows = [
            ("Upper drive, as used", run.upper.describe()),
            ("Lower drive, as used", run.lower.describe()),
            ("Window", run.window.text),
            ("Full scale: tail current times load", format_quantity(run.full_scale, "V")),
        ]
        rows += [
            (name[0].upper() + name[1:] + " at the cursor", text)
            for _, name, text in cursor_values(scene)
        ]
        merits = [(m.name, m.reading, m.relation, m.relation_reading, m.stops) for m in run.merits]
        values |= {f"q{n}": {"#": text} for n, (_, text) in enumerate(rows)}
        for n, merit in enumerate(merits):
            values |= {f"m{n}c{k}": {"#": text or "\u2013"} for k, text in enumerate(merit[1:])}
        shape = (tuple(r[0] for r in rows), tuple(m[0] for m in merits), len(lines), self.open)
        if shape == self._shape:
            self.update(values)
            return
        self._shape = shape

        def head(*names):
            return (
                "<thead><tr>"
                + "".join(f'<th scope="col">{n}</th>' for n in names)
                + "</tr></thead>"
            )

        def cells(mark, count):
            return "".join(f'<td data-id="{mark}c{k}"></td>' for k in range(count))

        self.rebuild(
            f'<details data-lazy class="numbers"{" open" if self.open else ""}>'
            "<summary>Numbers of this scene</summary>"
            "<table><tbody>"
            + "".join(
                f'<tr><th scope="row">{escape(name)}</th><td data-id="q{n}"></td></tr>'
                for n, (name, _) in enumerate(rows)
            )
            + "</tbody></table>"
            '<table class="wide"><caption>Figures of merit</caption>'
            + head("Figure", "Here", "Textbook relation", "Its value", "It stops holding when")
            + "<tbody>"
            + "".join(
                f'<tr><th scope="row">{escape(m[0])}</th>{cells(f"m{n}", 4)}</tr>'
                for n, m in enumerate(merits)
            )
            + "</tbody></table>"
            '<table class="wide"><caption>Lines of the spectrum, the largest first</caption>'
            + head(
                "Frequency",
                "Level, peak",
                "Under the largest",
                "Origin",
                "Made of",
                "Orders",
                "Also lands there",
            )
            + "<tbody>"
            + "".join(f"<tr>{cells(f'r{n}', 7)}</tr>" for n in range(len(lines)))
            + "</tbody></table></details>",
            values,
        )

    @staticmethod
    def csv(scene):
        """Comma-separated text of the figures of merit, values in their units."""
        return csv_text(
            ("figure", "value", "unit", "textbook_relation", "textbook_value"),
            [(m.name, m.value, m.unit, m.relation, m.relation_value) for m in scene.run.merits],
        )
