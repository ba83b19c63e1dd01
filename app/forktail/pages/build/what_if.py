"""What another version of the circuit would change: preferred values, and single faults."""

import math
from itertools import groupby

from forktail.core.built.preferred import SERIES, SERIES_TOLERANCE
from forktail.core.built.references import CAPACITOR_SERIES, part_reference
from forktail.core.quantities import format_quantity
from forktail.pages.build.circuit_texts import shown
from forktail.ui.html import STYLES, button, escape, number, table
from forktail.ui.markup import MarkupView
from forktail.ui.text import keep_together

#: Changes smaller than this share of the larger of both are not worth a row.
_VISIBLE = 2e-4
#: A node that moves by less than this, V, is said to stay.
_MOVES = 0.02


def _changed(row):
    _, _, before, after = row
    if math.isfinite(before) != math.isfinite(after):
        return math.inf
    if not math.isfinite(before):
        return 0.0
    size = max(abs(before), abs(after))
    return abs(after - before) / size if size > 1e-9 else 0.0


def comparison_rows(rows, most=12):
    """Cells of a before/after table: rows that change, largest changes of their kind first."""
    out = []
    for name, unit, before, after in rows:
        change = _changed((name, unit, before, after))
        if change < _VISIBLE:
            continue
        said = (
            ""
            if not (math.isfinite(before) and math.isfinite(after))
            else _difference(before, after, unit)
        )
        out.append(
            (
                name,
                number(before, unit, 4),
                number(after, unit, 4),
                said,
                "changed" if change > 0.05 else "",
            )
        )
    return out[:most]


def _difference(before, after, unit):
    if unit == "V" or abs(before) < 1e-12:
        return number(after - before, unit, 2).replace("\u2212", "\u2212\u200a")
    share = 100.0 * (after / before - 1.0)
    return f"{format_quantity(share, '', 2)} %"


class ValuesView(MarkupView):
    """Preferred values: what each part becomes, what the rounding does, and a button to do it."""

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        self._shown = None

    def show(self, series, rounded, comparison):
        """Show parts rounded to a series.

        Parameters
        ----------
        series : str
        rounded : tuple of built_parts.Rounded
        comparison : state.Comparison
        """
        key = (series, rounded, comparison)
        if key == self._shown:
            return
        self._shown = key
        options = "".join(
            f'<option value="{s}">{s} (\u00b1{100 * SERIES_TOLERANCE[s]:g} %)</option>'
            for s in SERIES
        )
        moved = [r for r in rounded if r.fitted != r.wanted]
        head = (
            '<div class="what-if"><label class="line">Preferred values of resistors '
            f'<select data-id="in-series" data-entry="series">{options}</select></label>'
            f'<p class="soft">IEC 60063; capacitors take {CAPACITOR_SERIES}.</p>'
        )
        if not moved:
            body = f"<p>Every part is already a preferred value of {series}: nothing to round.</p>"
        else:
            parts = table(
                ("Part", "wanted", "fitted", "error"),
                [
                    (
                        ", ".join(r.references),
                        shown(r.name, r.wanted),
                        shown(r.name, r.fitted),
                        f"{format_quantity(100 * r.error, '', 2)} %",
                        "changed" if abs(r.error) > SERIES_TOLERANCE[r.series] / 2 else "",
                    )
                    for r in moved
                ],
            )
            effects = comparison_rows(comparison.rows)
            effect = (
                table(("Effect of rounding", "as wanted", "as fitted", "change"), effects)
                if effects
                else "<p>No output or level moves by a visible amount.</p>"
            )
            count = "1 part" if len(moved) == 1 else f"{len(moved)} parts"
            body = (
                f'<p class="line">{button(f"Fit {count} from {series}", kind="round")}</p>'
                f"{parts}{effect}"
            )
        self.rebuild(head + body + "</div>", {"in-series": {"value": series}})


def fault_sentence(fault, comparison):
    """What a fault does, as one says it at the bench."""
    before, after = comparison.before, comparison.after
    if not bool(after.converged):
        return (
            f"Fault: {fault.text} No solution balances every current then, so no number is shown."
        )
    parts = []
    output = [float(p.v_out) for p in (before, after)]
    if abs(output[1] - output[0]) > 1e-3:
        parts.append(
            f"the output at rest goes from {format_quantity(output[0], 'V')} to "
            f"{format_quantity(output[1], 'V')}"
        )
    moved = [q for q in after.regions if str(after.regions[q]) != str(before.regions.get(q, ""))]
    parts += [f"{q} is {after.regions[q]}" for q in moved[:3]]
    gains = {name: value for name, _, *value in comparison.rows}["Gain per product"]
    if all(map(math.isfinite, gains)) and abs(gains[0]) > 0:
        share = gains[1] / gains[0]
        if abs(share) < 0.02:
            parts.append("it no longer multiplies")
        elif abs(share - 1) > 0.05:
            parts.append(f"the gain is {share:.2g} times what it was")
    nodes = {
        n: float(after.nodes[n]) - float(v) for n, v in before.nodes.items() if n in after.nodes
    }
    count = sum(abs(d) > _MOVES for d in nodes.values())
    if not parts:
        return f"Fault: {fault.text} At rest it shows little: " + (
            f"{count} nodes move by more than 20 mV."
            if count
            else "no node moves by more than 20 mV, so look at the signals."
        )
    return f"Fault: {fault.text} Then " + "; ".join(parts) + "."


class FaultsView(MarkupView):
    """Choose a single fault, see what it changes, build it in."""

    def __init__(self, **params):
        super().__init__(stylesheets=STYLES, **params)
        self._shown = None

    def show(self, circuit, faults, key, comparison):
        """Show the choice of faults and the effect of the chosen one.

        Parameters
        ----------
        circuit : Circuit
        faults : tuple of Fault
        key : str
            Chosen fault, "" for none.
        comparison : state.Comparison or None
        """
        now = (faults, key, comparison)
        if now == self._shown:
            return
        self._shown = now
        groups = []
        for part, some in groupby(faults, key=lambda f: f.part):
            ref = part_reference(circuit, part) or {"levels": "Levels"}.get(part, part)
            ref = {"drive_upper": "G1", "drive_lower": "G2"}.get(part, ref)
            options = "".join(
                f'<option value="{escape(f.key)}">{escape(f.text)}</option>' for f in some
            )
            groups.append(f'<optgroup label="{escape(ref)}">{options}</optgroup>')
        body = (
            '<div class="what-if"><label class="line">If one part fails '
            '<select data-id="in-fault" data-entry="fault" class="long">'
            f'<option value="">choose a fault\u2026</option>{"".join(groups)}</select>'
            "</label>"
        )
        chosen = next((f for f in faults if f.key == key), None)
        if chosen is None:
            body += (
                "<p class='soft'>Each is worked out by breaking the part and solving the "
                "whole circuit again.</p>"
            )
        else:
            body += (
                f'<p class="said" role="status">'
                f"{escape(keep_together(fault_sentence(chosen, comparison)))}</p>"
                f'<p class="line">{button("Build this fault in", kind="break")}</p>'
                + table(
                    ("", "healthy", "with the fault", "change"),
                    comparison_rows(comparison.rows, 20),
                )
            )
            regions = [
                (q, str(comparison.before.regions.get(q, "")), str(r), "changed")
                for q, r in comparison.after.regions.items()
                if str(r) != str(comparison.before.regions.get(q, ""))
            ]
            if regions:
                body += table(("Transistor", "healthy", "with the fault"), regions)
        self.rebuild(body + "</div>", {"in-fault": {"value": key}})
