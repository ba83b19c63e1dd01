"""Words and figures of a use: its row of buttons, figures of merit, sentence, numbers."""

import json

from forktail.core.quantities import format_quantity
from forktail.core.uses import USES
from forktail.pages.uses.plots import formula
from forktail.pages.uses.state import (
    BANDS,
    SHORT_TITLES,
    TIME_VIEWS,
    difference_text,
    settings_rows,
)
from forktail.ui.component import STYLE
from forktail.ui.html import escape
from forktail.ui.markup import MarkupView
from forktail.ui.text import csv_text, decibels, keep_together

#: Style sheets of this page's components.
STYLES = [STYLE, "assets/pages/uses/style.css"]
INVENTED = "All signals are invented."
_NOTE_ROWS = 4
#: Short names of the characteristics of each use, in the order of its result.
CURVE_NAMES = {
    "variable_gain": ("Gain in dB", "Gain with its sign", "Third harmonic"),
    "gain_control_loop": ("Fast or smooth", "Held output"),
    "am": ("Depth",),
    "dsb": ("Suppression over trim",),
    "ssb": ("Phase error", "Gain difference"),
    "mixer": ("Gain", "Two tones", "Compression"),
    "phase_detector": ("Characteristic", "Slope over drive"),
    "squarer": ("Lines", "Trim"),
}
_MOST_LINES = 30


def _button(text, request, data_id, extra=""):
    message = escape(json.dumps({"kind": "pick", **request}))
    return (
        f'<button type="button" data-id="{data_id}" data-request="{message}"{extra}>'
        f"{escape(text)}</button>"
    )


class UseTabs(MarkupView):
    """The row of uses."""

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        tabs = "".join(
            _button(SHORT_TITLES[k], {"use": k}, f"tab-{k}", f' title="{escape(u.summary)}"')
            for k, u in USES.items()
        )
        self.rebuild(f'<div class="use-tabs" role="group" aria-label="Uses">{tabs}</div>', {})

    def show(self, scene, can_be_heard):
        """Mark the present use; the page's layout follows it."""
        self.update(
            {
                **{f"tab-{k}": {"aria-pressed": str(k == scene.use).lower()} for k in USES},
                "main": {
                    "data-use": scene.use,
                    "data-quiet": None if can_be_heard else "",
                    "data-problem": "yes" if scene.result is None else None,
                },
            }
        )


class PlotTabs(MarkupView):
    """What one plot shows: a caption, or buttons where there is a choice."""

    def __init__(self, what, options, **params):
        super().__init__(stylesheets=STYLES, **params)
        self._what, self._options, self._shown = what, options, None

    def show(self, scene):
        """Offer the choices of a `UsesScene`."""
        options, chosen = self._options(scene)
        if options != self._shown:
            self._shown = options
            if len(options) > 1:
                body = "".join(
                    _button(text, {self._what: key}, f"pick-{key}") for key, text in options
                )
                self.rebuild(
                    f'<div class="plot-tabs" role="group" aria-label="{self._what}">{body}</div>',
                    {},
                )
            else:
                text = options[0][1] if options else ""
                self.rebuild(f'<div class="plot-tabs"><span>{escape(text)}</span></div>', {})
        if len(options) > 1:
            self.update(
                {f"pick-{key}": {"aria-pressed": str(key == chosen).lower()} for key, _ in options}
            )


def time_options(scene):
    """Views of the time plot: ((key, text) ...), chosen."""
    return tuple(TIME_VIEWS[scene.use].items()), scene.time


def band_options(scene):
    """Stretches of the spectrum: ((key, text) ...), chosen."""
    if scene.use in BANDS:
        return (("near", BANDS[scene.use]), ("all", "All lines")), scene.band
    return (("all", "Spectrum of the output"),), "all"


class CurveTabs(PlotTabs):
    """The characteristics of a use; their titles stay while the curves are computed."""

    def __init__(self, **params):
        super().__init__("curve", self._curves, **params)
        self._titles = {}

    def _curves(self, scene):
        if scene.detail and scene.result is not None:
            names = CURVE_NAMES[scene.use]
            self._titles[scene.use] = tuple(
                (str(n + 1), names[n] if n < len(names) else c.title)
                for n, c in enumerate(scene.result.curves)
            )
        titles = self._titles.get(scene.use, ())
        return titles, str(min(scene.curve, max(len(titles), 1)))


def _wide(merit):
    """Class of a cell whose unit may be on a second line."""
    return ' class="wide"' if "sqrt" in merit.unit else ""


def chosen_merit(scene):
    """The figure of merit on top: the one asked for, or the first."""
    merits = scene.result.merits
    return next((m for m in merits if m.key == scene.figure), merits[0])


class MeritsView(MarkupView):
    """Figures of merit: one on top with its relation and limit, all of them below it."""

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        self._keys = None

    def show(self, scene):
        """Show the figures of a `UsesScene`."""
        merits = scene.result.merits
        top = chosen_merit(scene)
        values = self._values(merits, top)
        keys = (scene.use, *(m.key for m in merits))
        if keys != self._keys:
            self._keys = keys
            self.rebuild(self._draw(merits), values)
        else:
            self.update(values)

    def _draw(self, merits):
        rows = "".join(
            f'<tr data-id="row-{m.key}"><th scope="row">'
            + _button("", {"figure": m.key}, f"name-{m.key}")
            + f'</th><td data-id="value-{m.key}"{_wide(m)}></td>'
            f'<td data-id="law-{m.key}"{_wide(m)}></td>'
            f'<td data-id="off-{m.key}"></td><td class="mark" data-id="mark-{m.key}"></td></tr>'
            for m in merits
        )
        return (
            '<div class="merit-top" data-id="top"><h2 data-id="top-name"></h2>'
            '<p class="merit-value"><span data-id="top-value"></span>'
            '<span class="chip" data-id="top-chip"></span></p>'
            '<dl><div><dt>Textbook</dt><dd><b data-id="top-law"></b> '
            '<span class="rule" data-id="top-rule"></span></dd></div>'
            '<div data-id="top-off-row"><dt>Difference</dt><dd data-id="top-off"></dd></div></dl>'
            '<p class="stops" data-id="top-stops"></p>'
            '<p class="stops because" data-id="top-because" hidden></p></div>'
            '<table class="merit-rows"><caption class="aside">Figures of merit; choose one to see '
            'its relation and limit</caption><thead><tr><th scope="col">Figure</th>'
            '<th scope="col">Computed</th><th scope="col">Textbook</th>'
            '<th scope="col">Difference</th><th scope="col">Holds</th>'
            f"</tr></thead><tbody>{rows}</tbody></table>"
            '<p class="holds-note">Holds \u2713: the scene is inside the range for which the '
            "textbook relation is made; \u2248: it is outside. How near the two figures are is the "
            "difference.</p>"
        )

    @staticmethod
    def _rule(merit):
        if not merit.relation:
            return "no relation for this scene"
        if merit.relation_value is None:
            return formula(merit.relation)
        rule = formula(merit.relation.removeprefix(f"{merit.relation_reading}: "))
        return f"({rule})" if rule.startswith(("no", "the same")) else f"from {rule}"

    def _values(self, merits, top):
        known = top.relation_value is not None
        off = difference_text(top)
        out = {
            "top": {"data-holds": "yes" if top.holds else "no"},
            "top-name": {"#": keep_together(top.name)},
            "top-value": {"#": keep_together(top.reading)},
            "top-chip": {
                "#": ("\u2713 " if top.holds else "\u2248 ")
                + (
                    ("relation holds" if top.holds else "does not hold here")
                    if known
                    else ("inside its limit" if top.holds else "past its limit")
                )
            },
            "top-law": {"#": top.relation_reading if known else ""},
            "top-rule": {"#": self._rule(top)},
            "top-off-row": {"hidden": None if off else ""},
            "top-off": {"#": off},
            "top-stops": {"#": keep_together(top.stops)},
            "top-because": {
                "#": keep_together(top.because),
                # its room is kept while a slider moves: causes are told once the scene rests
                "hidden": "" if top.holds else None,
            },
        }
        for m in merits:
            out[f"row-{m.key}"] = {"class": "chosen" if m is top else None}
            out[f"name-{m.key}"] = {
                "#": keep_together(m.name),
                "aria-pressed": str(m is top).lower(),
            }
            out[f"value-{m.key}"] = {"#": m.reading}
            out[f"law-{m.key}"] = {"#": m.relation_reading or "\u2013"}
            out[f"off-{m.key}"] = {"#": difference_text(m) or "\u2013"}
            out[f"mark-{m.key}"] = {
                "#": "\u2713" if m.holds else "\u2248",
                "data-holds": "yes" if m.holds else "no",
                "title": "holds here" if m.holds else "does not hold here",
            }
        return out


class WordsView(MarkupView):
    """The sentence, what the use is for, the window, notes, and what is wrong."""

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        notes = "".join(f'<li data-id="note{n}" hidden></li>' for n in range(_NOTE_ROWS))
        self.rebuild(
            '<div class="saying"><p class="problem" role="alert" data-id="problem" hidden></p>'
            '<p class="sentence" data-id="sentence"></p><p class="why" data-id="why"></p>'
            f'<ul class="notes">{notes}</ul>'
            '<p class="aside" role="status" aria-live="polite" data-polite data-id="spoken"></p>'
            "</div>",
            {},
        )

    def show(self, scene):
        """Say what the scene does; after a problem the last good drawing stays below it."""
        if scene.result is None:
            error = f"{scene.error[:1].upper()}{scene.error[1:]}"
            text = f"{error} The drawing still shows the previous scene."
            self.update({"problem": {"#": text, "hidden": None}, "spoken": {"#": text}})
            return
        result = scene.result
        text = keep_together(result.sentence)
        notes = [c.text for n, c in enumerate(result.curves, 1) if n == scene.curve and c.text]
        notes.append(f"{keep_together(result.window)} {INVENTED}".strip())
        notes += list(result.notes)
        if scene.circuit:
            notes.insert(0, f"Answered by the built cell '{scene.circuit}', part by part.")
        out = {
            "problem": {"#": "", "hidden": ""},
            "sentence": {"#": text},
            "spoken": {"#": text},
            "why": {"#": USES[scene.use].summary},
        }
        for n in range(_NOTE_ROWS):
            note = notes[n] if n < len(notes) else None
            out[f"note{n}"] = {"#": note or "", "hidden": None if note else ""}
        self.update(out)


class NumbersView(MarkupView):
    """Settings, figures and the largest lines in tables that a screen reader can walk."""

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        self._shape = None

    def show(self, scene):
        """Show the numbers of a `UsesScene`."""
        result = scene.result
        lines = largest_lines(result)
        shape = (scene.use, tuple(m.key for m in result.merits), len(lines))
        values = self._values(result, lines)
        if shape == self._shape:
            self.update(values)
            return
        self._shape = shape

        def part(title, heads, key, count):
            return (
                f"<table><caption>{title}</caption><thead><tr>"
                + "".join(f'<th scope="col">{h}</th>' for h in heads)
                + "</tr></thead><tbody>"
                + "".join(
                    "<tr>"
                    + "".join(
                        f'<{"th scope=row" if c == 0 else "td"} data-id="{key}{n}-{c}">'
                        f"</{'th' if c == 0 else 'td'}>"
                        for c in range(len(heads))
                    )
                    + "</tr>"
                    for n in range(count)
                )
                + "</tbody></table>"
            )

        body = part("Settings", ("setting", "value"), "s", len(settings_rows(result.settings)))
        body += part(
            "Figures of merit",
            ("figure", "computed", "textbook", "difference", "holds"),
            "m",
            len(result.merits),
        )
        if lines:
            body += part(
                f"The {len(lines)} largest lines of the output",
                ("line", "frequency", "peak", "level"),
                "l",
                len(lines),
            )
        self.rebuild(
            '<details class="numbers"><summary>Numbers of this scene</summary>'
            '<p><button type="button" data-request="{&quot;kind&quot;: &quot;csv&quot;, '
            '&quot;plot&quot;: &quot;numbers&quot;}">Save as CSV</button></p>'
            f'<div class="number-tables">{body}</div></details>',
            values,
        )

    def _values(self, result, lines):
        out = {}
        for n, (spec, value) in enumerate(settings_rows(result.settings)):
            out[f"s{n}-0"] = {"#": spec.title}
            out[f"s{n}-1"] = {"#": spec.show(value, 4)}
        for n, m in enumerate(result.merits):
            for c, text in enumerate(
                (
                    m.name,
                    m.reading,
                    m.relation_reading or "\u2013",
                    difference_text(m) or "\u2013",
                    "yes" if m.holds else "no",
                )
            ):
                out[f"m{n}-{c}"] = {"#": text}
        for n, line in enumerate(lines):
            for c, text in enumerate(
                (
                    line.label.replace("f_", ""),
                    format_quantity(line.frequency, "Hz", 5),
                    format_quantity(line.peak, "V"),
                    decibels(line.db),
                )
            ):
                out[f"l{n}-{c}"] = {"#": text}
        return out


def largest_lines(result, most=_MOST_LINES):
    """The largest lines of a result, by falling level, down to 100 dB below the first."""
    if result.spectrum is None:
        return []
    lines = [ln for ln in result.spectrum.lines if ln.db > -100.0]
    return sorted(lines, key=lambda ln: -ln.db)[:most]


def numbers_csv(result):
    """Comma-separated text of settings, figures and lines, SI units."""
    rows = []
    for spec, value in settings_rows(result.settings):
        value = float(value) if spec.kind == "number" else value
        rows.append(("setting", spec.name, value, spec.unit, "", ""))
    for m in result.merits:
        law = "" if m.relation_value is None else float(m.relation_value)
        holds = "yes" if m.holds else "no"
        rows.append(("figure", m.name, float(m.value), m.unit, law, holds))
    for name, percent in result.noise:
        rows.append(("noise", name, percent, "%", "", ""))
    for line in largest_lines(result, 1000):
        name = f"{line.label} at {line.frequency:g} Hz"
        rows.append(("line", name, line.peak, "V", "", ""))
    return csv_text(("kind", "name", "value", "unit", "textbook", "holds"), rows)
