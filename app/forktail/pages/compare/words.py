"""A comparison in words and figures: summary, causes with their evidence, the table."""

import math
from html import escape

from forktail.core.quantities import format_quantity
from forktail.ui.component import STYLE
from forktail.ui.markup import MarkupView
from forktail.ui.text import csv_text, keep_together, signed

STYLES = [STYLE, "assets/pages/compare/style.css"]


def value(term, unit=None, percent=False):
    """Value of a `Term` as text, `unknown` for NaN."""
    v = 100.0 * term.value if percent else term.value
    if not math.isfinite(v):
        return "unknown"
    return signed(v, "%" if percent else (term.unit if unit is None else unit))


def doubt(term, unit=None, percent=False):
    """Standard uncertainty of a `Term` as text."""
    u = 100.0 * term.uncertainty if percent else term.uncertainty
    if not math.isfinite(u) or u == 0.0:
        return ""
    shown = "%" if percent else term.unit if unit is None else unit
    return f"\u00b1{format_quantity(u, shown, 2)}"


def table(c):
    """Rows of a `Comparison`: (name, value, uncertainty, raw value, raw uncertainty, unit)."""
    rows = []

    def term(name, t, unit=None, percent=False):
        rows.append(
            (
                name,
                value(t, unit, percent),
                doubt(t, unit, percent),
                t.value,
                t.uncertainty,
                "" if percent else t.unit if unit is None else unit,
            )
        )

    def plain(name, v, unit):
        text = format_quantity(v, unit) if math.isfinite(v) else "unknown"
        rows.append((name, text, "", v, math.nan, unit))

    term("Scale error, measured over predicted", c.scale_error, percent=True)
    term("Upper feedthrough beyond prediction, V/V", c.feed_upper)
    term("Lower feedthrough beyond prediction, V/V", c.feed_lower)
    term("Output offset beyond prediction", c.offset)
    term("Offset at the upper input", c.offset_upper)
    term("Offset at the lower input", c.offset_lower)
    plain("Noise, rms", c.noise_rms, "V")
    plain("Captured less predicted, as captured, rms", c.captured_rms, "V")
    plain("Captured less predicted, aligned, rms", c.residual_rms, "V")
    plain("Captured less best fit, rms", c.fit_rms, "V")
    plain("Output itself, rms", c.output_rms, "V")
    if c.delay is not None:
        rows.append(
            (
                f"Delay, {c.delay_of}",
                format_quantity(c.delay.seconds, "s"),
                f"\u00b1{format_quantity(c.delay.uncertainty, 's', 2)}",
                c.delay.seconds,
                c.delay.uncertainty,
                "s",
            )
        )
    plain("Product over upper feedthrough", c.suppression_upper, "dB")
    plain("Product over lower feedthrough", c.suppression_lower, "dB")
    for fit, name in ((c.product, "captured"), (c.product_predicted, "predicted")):
        rows += _four_terms(fit, name)
    if c.tanh is not None:
        rows += _tanh_terms(c.tanh, "captured")
    if c.tanh_predicted is not None:
        rows += _tanh_terms(c.tanh_predicted, "predicted")
    return rows


def _four_terms(fit, name):
    for key, text, unit in (
        ("gain", "k, product", "1/V"),
        ("feed_upper", "a, upper input", ""),
        ("feed_lower", "b, lower input", ""),
        ("offset", "c", "V"),
    ):
        t = getattr(fit, key)
        shown = f"{format_quantity(t.value, '')} /V" if unit == "1/V" else signed(t.value, unit)
        sure = f"\u00b1{format_quantity(t.uncertainty, '' if unit == '1/V' else unit, 2)}"
        yield f"Four terms, {name}: {text}", shown, sure, t.value, t.uncertainty, unit
    yield (
        f"Four terms, {name}: left over, rms",
        format_quantity(fit.residual_rms, "V"),
        "",
        fit.residual_rms,
        math.nan,
        "V",
    )


def _tanh_terms(fit, name):
    for key, text in (
        ("full_scale", "full scale"),
        ("v_t", "V_T"),
        ("offset_upper", "upper offset"),
        ("offset_lower", "lower offset"),
        ("offset", "output offset"),
    ):
        t = getattr(fit, key)
        held = ", held" if key in fit.held else ""
        yield (
            f"Tanh-limited, {name}: {text}{held}",
            signed(t.value, "V"),
            doubt(t),
            t.value,
            t.uncertainty,
            "V",
        )
    yield (
        f"Tanh-limited, {name}: left over, rms",
        format_quantity(fit.residual_rms, "V"),
        "",
        fit.residual_rms,
        math.nan,
        "V",
    )


def table_csv(comparison):
    """Comma-separated text of the table, SI."""
    return csv_text(
        ("quantity", "value", "uncertainty", "unit"),
        [(name, float(v), float(u), unit) for name, _, _, v, u, unit in table(comparison)],
    )


class VerdictView(MarkupView):
    """Summary, likely causes with evidence and advice, warnings."""

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        self.wait()

    def wait(self):
        """Say what belongs here while no capture is open."""
        self.rebuild(
            '<div class="verdict"><h2>What a capture tells</h2><p>Connect one scope channel to '
            "each input and one to each collector, save the record as CSV and drop it here. It "
            "is aligned with the prediction of the circuit that is chosen here, and what differs "
            'is traced to its likely causes.</p><p class="caution">The ground clips of a '
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

    def show(self, comparison, notes, board_link):
        """Show a comparison; `notes` of the capture, `board_link` to the Build page."""
        c = comparison
        causes = "".join(self._cause(cause) for cause in c.causes)
        rest = (
            f'<li class="rest"><p><b>Without a cause</b> {_share(c.unexplained)}</p></li>'
            if c.unexplained > 0.01
            else ""
        )
        said = [w for w in dict.fromkeys((*notes, *c.warnings))]
        warnings = (
            "<details class='remarks' open><summary>Remarks</summary><ul>"
            + "".join(f"<li>{escape(keep_together(w))}</li>" for w in said)
            + "</ul></details>"
            if said
            else ""
        )
        self.rebuild(
            f'<div class="verdict"><p class="sentence" role="status">'
            f"{escape(keep_together(c.summary))}</p>"
            f"<h2>Likely causes</h2><ul class='causes'>{causes}{rest}</ul>"
            f'<p><a href="{escape(board_link, quote=True)}">See this board on the Build page'
            "</a>: the circuit with loads and input offsets as found.</p>"
            f"{warnings}</div>",
            {},
        )

    def _cause(self, cause):
        width = max(1.0, 100.0 * min(cause.score, 1.0))
        return (
            f"<li><p><b>{escape(cause.title)}</b> {_share(cause.score)}</p>"
            f'<span class="bar" aria-hidden="true"><i style="width:{width:.0f}%"></i></span>'
            f"<p>{escape(keep_together(cause.evidence))}</p>"
            f'<p class="todo">{escape(keep_together(cause.advice))}</p></li>'
        )


def _share(score):
    return (
        f'<span class="share">{100 * score:.0f} % of the mismatch</span>'
        if score >= 0.1
        else f'<span class="share">{100 * score:.1f} % of the mismatch</span>'
    )


class ErrorTable(MarkupView):
    """The main figures, and all others folded below them."""

    FIRST = 12

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        self.rebuild("", {})

    def show(self, comparison):
        """Show the figures."""
        rows = table(comparison)
        names = ("Figure", "Value", "Uncertainty")
        head = "".join(f'<th scope="col">{n}</th>' for n in names)

        def body(part):
            return "".join(
                f'<tr><th scope="row">{escape(name)}</th><td>{escape(shown)}</td>'
                f"<td>{escape(sure)}</td></tr>"
                for name, shown, sure, *_ in part
            )

        self.rebuild(
            f'<table class="errors"><thead><tr>{head}</tr></thead>'
            f"<tbody>{body(rows[: self.FIRST])}</tbody></table>"
            f'<details class="numbers"><summary>Both fits in full</summary><table class="errors">'
            f"<thead><tr>{head}</tr></thead><tbody>{body(rows[self.FIRST :])}</tbody></table>"
            "</details>",
            {},
        )
