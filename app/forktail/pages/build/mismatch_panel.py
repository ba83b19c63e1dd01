"""Mismatch: settings and progress of the Monte Carlo run, the spread, trims and what they leave."""

import math

from forktail.pages.build.entries import EntryPanel
from forktail.pages.build.state import TRIMS
from forktail.ui.html import STYLES, button, escape, number, request
from forktail.ui.markup import MarkupView
from forktail.ui.text import csv_text

#: Measure -> name and unit on the screen.
SHOWN = {
    "offset": ("Output at rest", "V"),
    "feed_upper": ("Upper feedthrough", "V/V"),
    "feed_lower": ("Lower feedthrough", "V/V"),
    "uneven_upper": ("Uneven half cycles, upper", "%"),
    "uneven_lower": ("Uneven half cycles, lower", "%"),
}
_NULLS = {
    "trim_lower": "upper feedthrough",
    "trim_upper": "lower feedthrough",
    "trim_balance": "output at rest",
}


def _shown(value, unit):
    if not math.isfinite(value):
        return "no answer"
    if abs(value) < 1e-9:
        value = 0.0  # what is left is rounding
    if unit == "%":
        return f"{number(100 * value, '', 2)} %"
    return number(value, "" if unit == "V/V" else unit)


class RunPanel(EntryPanel):
    """Settings of the run, its button, progress and the summary of the spread."""

    def __init__(self, **params):
        super().__init__(**params)
        self._spread = self._busy = None
        self._done = False

    def show(self, state, spread, busy, note=""):
        """Show settings and a run.

        Parameters
        ----------
        state : BuildState
        spread : mismatch.Spread or None
        busy : bool
        note : str
            Why there is no run, if there is none.
        """
        if not self._done:
            self._done = True
            self.rebuild(self._draw(state), self._values(state, spread, busy, note))
        else:
            self.update(self._values(state, spread, busy, note))

    def _draw(self, state):
        fields = "".join(
            f'<label class="entry-row"><span class="what">{escape(state.param[n].label)}</span>'
            f'<input type="text" size="7" data-id="in-{n}" data-entry="{n}" autocomplete="off">'
            f'<span class="entry-error" data-id="err-{n}" role="alert" hidden></span></label>'
            for n in state.of_part("run")
        )
        return (
            f'<div class="run"><div class="settings">{fields}</div>'
            f'<div class="line">{button("Run", data_id="run", kind="run")}'
            f"{button('Cancel', data_id='cancel', kind='cancel')}"
            '<progress data-id="progress" value="0" max="1" aria-label="Builds solved">'
            '</progress><span class="soft" data-id="count"></span></div></div>'
        )

    def _values(self, state, spread, busy, note):
        out = {}
        for n in state.of_part("run"):
            out |= self.entry(n, state.param[n].show(getattr(state, n)))
        out["run"] = {
            "disabled": "" if busy else None,
            "#": "Run" if spread is None else "Run again",
        }
        out["cancel"] = {"disabled": None if busy else ""}
        done, total = (spread.done, spread.total) if spread else (0, state.builds)
        out["progress"] = {"value": str(done), "max": str(total), "hidden": None if busy else ""}
        lost = spread.unsolved if spread else 0
        text = note or (
            ""
            if not spread and not busy
            else f"{done} of {total} builds" + (f", {lost} without a solution" if lost else "")
        )
        out["count"] = {"#": text or "solves every build separately, with its own parts"}
        out["main"] = {"data-run": "yes" if spread else None}
        return out


class SpreadTable(MarkupView):
    """How far the builds of a run lie apart."""

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        rows = "".join(
            f'<tr><th scope="row">{name}</th><td data-id="s-{m}"></td><td data-id="b-{m}"></td>'
            "</tr>"
            for m, (name, _) in SHOWN.items()
        )
        self.rebuild(
            '<table class="cells" data-id="summary" hidden><thead><tr><th scope="col">All builds, '
            'not trimmed</th><th scope="col">one sigma</th><th scope="col">middle 95 %</th></tr>'
            f"</thead><tbody>{rows}</tbody></table>",
            {},
        )

    def show(self, spread):
        """Show the summary of a run; None hides it."""
        out = {"summary": {"hidden": None if spread else ""}}
        for m, (_, unit) in SHOWN.items() if spread else ():
            s = spread.summary(m)
            out[f"s-{m}"] = {"#": _shown(s["sigma"], unit)}
            out[f"b-{m}"] = {"#": f"{_shown(s['low'], unit)} to {_shown(s['high'], unit)}"}
        self.update(out)


class TrimPanel(EntryPanel):
    """The build looked at, three trims that null it, and what they leave."""

    def __init__(self, **params):
        super().__init__(**params)
        rows = "".join(self._row(name) for name in TRIMS)
        body = "".join(
            f'<tr><th scope="row">{name}</th><td data-id="u-{m}"></td><td data-id="n-{m}"></td>'
            "</tr>"
            for m, (name, _) in SHOWN.items()
        )
        self.rebuild(
            '<div class="trims"><label class="entry-row"><span class="what">Trim build number '
            '<span class="soft">(0: as drawn)</span></span><input type="text" size="5" '
            'data-id="in-unit" data-entry="unit" autocomplete="off"><span class="entry-error" '
            'data-id="err-unit" role="alert" hidden></span></label>'
            f'<p class="soft small" data-id="of-whom"></p>{rows}<p class="line">'
            f"{button('Null all three', kind='null', name='')}"
            f"{button('Trims to zero', kind='untrim')}</p>"
            '<table class="cells"><thead><tr><th scope="col" data-id="whose"></th>'
            '<th scope="col">trims at zero</th><th scope="col">as trimmed</th></tr></thead>'
            f"<tbody>{body}</tbody></table></div>",
            {},
        )

    def _row(self, name):
        spec = TRIMS[name]
        return (
            f'<div class="row"><label for="sl-{name}" title="nulls the {_NULLS[name]}">'
            f"{escape(spec.label)}</label>"
            f'<input type="text" class="entry" data-id="in-{name}" data-entry="knob_{name}" '
            f'aria-label="{escape(spec.label)}, value" autocomplete="off">'
            f'<input type="range" id="sl-{name}" min="0" max="{spec.steps()}" step="1" '
            f'data-id="slide-{name}" data-slide="{name}">'
            f'<button type="button" {request(kind="null", name=name)} '
            f'title="Solve for the trim that nulls the {_NULLS[name]}">Null it</button>'
            f'<p class="entry-error" data-id="err-{name}" role="alert" hidden></p></div>'
        )

    def show(self, state, now, untrimmed):
        """Show the trims and the measures that they leave."""
        out = {
            "whose": {"#": f"Build {state.unit}" if state.unit else "As drawn"},
            "of-whom": {
                "#": f"These trims belong to build {state.unit}; the drawing stays as designed."
                if state.unit
                else "These trims belong to the circuit as drawn."
            },
        }
        trims = state.trims()
        for name, spec in TRIMS.items():
            value = trims[name]
            out |= self.entry(name, spec.show(value, 4))
            out[f"slide-{name}"] = {
                "value": str(spec.position(value)),
                "aria-valuetext": spec.show(value, 3),
            }
        out |= self.entry("unit", str(state.unit))
        for m, (_, unit) in SHOWN.items():
            out[f"u-{m}"] = {"#": _shown(untrimmed[m], unit)}
            out[f"n-{m}"] = {"#": _shown(now[m], unit)}
        self.update(out)


def spread_csv(spread):
    """Comma-separated text of all builds, SI units."""
    names = list(spread.values)
    return csv_text(
        ("build", *names),
        [
            (n, *("" if not math.isfinite(x) else float(x) for x in row))
            for n, row in enumerate(zip(*(spread.values[m] for m in names)), 1)
        ],
    )
