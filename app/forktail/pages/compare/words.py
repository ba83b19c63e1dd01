"""A comparison in words and figures: verdict, causes, scope, the table."""

import math
from html import escape
from urllib.parse import quote

from forktail.core.quantities import format_quantity, format_signed
from forktail.pages.compare.places import picture
from forktail.ui.component import STYLE
from forktail.ui.markup import MarkupView
from forktail.ui.text import csv_text, keep_together

#: What a figure out of its band has behind it; colour alone says nothing.
_OUTSIDE = ' <b class="out">outside</b>'
STYLES = [STYLE, "assets/pages/compare/style.css"]


def _text(value, unit, doubt, sign=True):
    """A value to a quarter of the doubt in it, for what is finer says nothing."""
    if not math.isfinite(value):
        return "unknown"
    place = math.floor(math.log10(doubt / 4.0)) if doubt > 0.0 else -12
    value = round(value / 10.0**place) * 10.0**place + 0.0
    head = math.floor(math.log10(abs(value))) if value else 0
    digits = min(max(head - place + 1, 1), 4)
    if unit == "1/V":
        return f"{format_quantity(value, '', digits)} /V"
    return (format_signed if sign else format_quantity)(value, unit, digits)


def _band(low, high):
    """`239 to 272 /V`: the unit once, where it is the same."""
    number, gap, unit = low.partition(" ")
    return f"{number if gap and high.endswith(gap + unit) else low} to {high}"


def table(c):
    """Rows of a `Comparison`: (name, measured, predicted, band, remark) as texts, and the figure.

    What has no prediction has empty texts there, and None for the figure.
    """
    rows = []
    for f in c.figures:
        sign = not f.key.startswith("level")
        got, wanted, low, high = (
            _text(v, f.unit, f.doubt, sign) for v in (f.measured, f.predicted, f.low, f.high)
        )
        remark = "inside" if f.inside else "outside"
        rows.append((f.name, got, wanted, _band(low, high), remark, f))
    for name, value in (
        ("Noise of one sample, rms", c.noise),
        ("Measured less predicted, rms", c.residual_rms),
        ("Output itself, rms", c.output_rms),
    ):
        text = format_quantity(value, "V") if math.isfinite(value) else "unknown"
        rows.append((name, text, "", "", "", None))
    return rows


def table_csv(comparison):
    """Comma-separated text of the figures, SI."""
    rows = [(f.key, f.measured, f.predicted, f.low, f.high, f.unit) for f in comparison.figures] + [
        ("noise_rms", comparison.noise, math.nan, math.nan, math.nan, "V"),
        ("residual_rms", comparison.residual_rms, math.nan, math.nan, math.nan, "V"),
        ("output_rms", comparison.output_rms, math.nan, math.nan, math.nan, "V"),
    ]
    return csv_text(("quantity", "measured", "predicted", "low", "high", "unit"), rows)


class VerdictView(MarkupView):
    """Verdict, causes to choose from, what the scope does, remarks."""

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        self.wait()

    def wait(self):
        """Say what belongs here while no capture is open."""
        self.rebuild(
            '<div class="verdict"><h2>What a capture tells</h2><p>Connect one scope channel to '
            "each input and one to each collector, save the record as CSV and drop it here. It is "
            "compared with what the circuit should show, and every single fault, every part off "
            "its value and every mistake of the scope is tried.</p>"
            "<h2>Where to clip the probes of the inputs</h2>"
            f'<div class="places">{picture()}</div>'
            "<p>Either place will do. Say which it was under \u201cInputs were probed\u201d, "
            "or let the amplitudes tell.</p>"
            '<p class="caution">The ground clips of a '
            "mains-powered scope are tied to protective earth: clip them to the ground of the "
            "circuit only, and never lift the earth. Local codes and licensed people decide on "
            "mains wiring.</p></div>",
            {},
        )

    def refuse(self, text):
        """Say why there is no comparison."""
        self.rebuild(
            '<div class="verdict"><h2>No comparison</h2><p class="bad" role="alert">'
            f"{escape(text)}</p></div>",
            {},
        )

    def show(self, comparison, notes, boards, chosen):
        """Show a comparison.

        Parameters
        ----------
        comparison : Comparison
        notes : tuple of str
        boards : list of (str, str)
            For each cause: link to the Build page, and circuit file.
        chosen : int
            Cause whose wave is laid over the capture, -1 for the healthy board.
        """
        c = comparison
        telling = f'<p class="telling">{_line(c.telling)}</p>' if c.telling else ""
        causes = "".join(
            self._cause(k, cause, boards[k], k == chosen) for k, cause in enumerate(c.causes)
        )
        sound = self._sound(c, chosen < 0)
        scope = "".join(f"<li>{_line(line)}</li>" for line in c.scope or ("Nothing that shows.",))
        said = list(dict.fromkeys((*notes, *c.warnings)))
        remarks = (
            "<details class='remarks' open><summary>Remarks</summary><ul>"
            + "".join(f"<li>{_line(w)}</li>" for w in said)
            + "</ul></details>"
            if said
            else ""
        )
        self.rebuild(
            f'<div class="verdict"><p class="sentence {"sound" if c.healthy else "faulty"}" '
            f'role="status">{_line(c.verdict)}</p>{telling}'
            '<fieldset class="causes"><legend>Causes; choose one to lay its wave over '
            f"the capture</legend>{sound}{causes}</fieldset>"
            f'<h2>What the scope does</h2><ul class="scope">{scope}</ul>{remarks}</div>',
            {},
        )

    def _sound(self, c, chosen):
        checked = " checked" if chosen else ""
        what = "every part within its tolerance" if c.healthy else "the circuit as planned"
        return (
            '<div class="cause"><label><input type="radio" name="cause" data-entry="cause" '
            f'value="-1"{checked}><b>Healthy: {what}</b> '
            f'<span class="share">{c.sound_share}</span></label></div>'
        )

    def _cause(self, place, cause, board, chosen):
        link, file = board
        width = max(1.0, 100.0 * min(cause.belief, 1.0))
        checked = " checked" if chosen else ""
        alike = "".join(f"<li>{_line(t)}</li>" for t in cause.titles[1:])
        alike = f"<p>Cannot be told from it:</p><ul>{alike}</ul>" if alike else ""
        name = "board-as-found.toml"
        return (
            '<div class="cause"><label>'
            f'<input type="radio" name="cause" data-entry="cause" value="{place}"{checked}>'
            f"<b>{_line(cause.title)}</b> "
            f'<span class="share">{cause.share}</span></label>'
            f'<span class="bar" aria-hidden="true"><i style="width:{width:.0f}%"></i></span>'
            f"<p>{_line(cause.evidence)}</p>{alike}"
            f'<p class="todo">{_line(cause.advice)}</p>'
            f'<p class="write">Write this into the circuit: <a href="{escape(link, quote=True)}">'
            f'on Build</a>, <a download="{name}" href="data:text/plain;charset=utf-8,'
            f'{quote(file)}">as a file</a></p></div>'
        )


def _line(text):
    return escape(keep_together(text))


class FigureTable(MarkupView):
    """Figures measured and predicted, with the band of healthy boards."""

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        self.rebuild("", {})

    def show(self, comparison):
        """Show the figures."""
        names = ("Figure", "Measured", "Predicted", "Healthy boards")
        head = "".join(f'<th scope="col">{n}</th>' for n in names)
        body = "".join(
            f'<tr class="{remark}"><th scope="row">{escape(name)}</th><td>{escape(got)}</td>'
            f"<td>{escape(wanted)}</td><td>{escape(band)}"
            f"{_OUTSIDE if remark == 'outside' else ''}</td></tr>"
            for name, got, wanted, band, remark, _ in table(comparison)
        )
        self.rebuild(
            f'<table class="errors"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>',
            {},
        )
