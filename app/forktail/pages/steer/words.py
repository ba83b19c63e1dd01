"""What the scene says in words and figures: the sentence, the why line, limits and the table."""

from forktail.core.quantities import (
    format_fixed,
    format_quantity,
    format_signed,
    format_temperature,
)
from forktail.ui.html import escape
from forktail.ui.markup import MarkupView
from forktail.ui.text import csv_text, keep_together

_LIMIT_ROWS = 3


def _share(part, whole):
    return format_fixed(100 * part / whole, 0, "%")


def _sent(first, total, whole, if_first, if_second):
    """`most of WHOLE to X` in words that fit the numbers."""
    share = first / total
    if abs(share - 0.5) < 0.005:
        return f"half of {whole} to {if_first} and half to {if_second}"
    name, part = (if_first, share) if share > 0.5 else (if_second, 1.0 - share)
    word = "nearly all" if part > 0.985 else "most" if part > 0.65 else "a little over half"
    return f"{word} of {whole} ({format_fixed(100 * part, 0, '%')}) to {name}"


def sentence(scene):
    """One sentence that says what is happening now, from the numbers of the scene."""
    point = scene.point
    tail = float(point.i_tail)
    out = format_signed(float(point.v_out), "V")
    i = [float(x) for x in point.i_upper]
    if tail == 0.0:
        return f"There is no tail current, so no branch carries any: output {out}."
    left, right = "the left load", "the right load"
    if scene.stage == "pair":
        return (
            f"The pair sends {_sent(i[0], i[0] + i[1], 'its tail current', left, right)}: "
            f"{format_quantity(i[0], 'A')} against {format_quantity(i[1], 'A')}, "
            f"output {out}."
        )
    if scene.stage == "cell":
        i5, i6 = (float(x) for x in point.i_lower)
        if abs(i5 - i6) < 0.01 * tail:
            evenly = "The lower pair shares the tail evenly"
            if abs(float(point.v_out)) > 0.01 * tail * float(point.r_load):
                return f"{evenly}, but the offsets of the upper pairs differ: output {out}."
            return f"{evenly}, so what Q1 and Q2 do the crossed Q3 and Q4 undo: output {out}."
        favoured, name, own = (i5, "left", i[:2]) if i5 > i6 else (i6, "right", i[2:])
        return (
            f"The lower pair sends {_share(favoured, tail)} of the tail to the {name} pair, "
            f"which sends {_sent(own[0], own[0] + own[1], 'it', left, right)}: output {out}."
        )
    r = float(point.r_load)
    parts = [format_signed(r * (i[0] - i[1]), "V"), format_signed(r * (i[2] - i[3]), "V")]
    if scene.stage == "shared":
        return (
            f"The left pair contributes {parts[0]} and the right pair {parts[1]}; the shared "
            f"loads add them: output {out}."
        )
    a, b = scene.i_tail_left, scene.i_tail_right
    if abs(a - b) < 1e-9 * (a + b):
        end = (
            "and they cancel"
            if abs(float(point.v_out)) < 1e-6 * tail * r
            else "which differ by the offsets"
        )
        return (
            f"The tails are equal: the left pair contributes {parts[0]}, the crossed right "
            f"pair {parts[1]}, {end}: output {out}."
        )
    larger = "left" if a > b else "right"
    if abs(i[0] - i[1]) < abs(i[2] - i[3]) if a > b else abs(i[0] - i[1]) > abs(i[2] - i[3]):
        return (
            f"The {larger} tail is larger by {format_quantity(abs(a - b), 'A')}, but the "
            f"offsets weigh more: {parts[0]} and {parts[1]} leave an output of {out}."
        )
    return (
        f"The {larger} tail is larger by {format_quantity(abs(a - b), 'A')}, so its pair "
        f"wins: {parts[0]} and {parts[1]} leave an output of {out}."
    )


def why(scene):
    """The sign, traced through the branches."""
    point = scene.point
    v_out = float(point.v_out)
    upper, lower = float(point.v_upper), float(point.v_lower)
    full = float(point.i_tail * point.r_load)
    if full == 0.0:
        return "Why: with no tail current nothing can be steered."
    if abs(v_out) < 1e-6 * full:
        return "Why zero: both loads carry the same current and drop the same voltage."
    more, less = ("left", "right") if v_out > 0 else ("right", "left")
    end = (
        f"the {more} load carries more, its collector falls below the {less} one, "
        f"and right \u2212 left is {'positive' if v_out > 0 else 'negative'}."
    )
    high = "+" if upper > 0 else "\u2212"
    offsets = f"Why: here the offsets decide; {end}"

    def carries_more(name):
        k = int(name[1]) - 1
        return point.i_upper[k] > point.i_upper[k ^ 1]  # its mate: Q1 with Q2, Q3 with Q4

    if scene.stage == "pair":
        taker = "Q1" if upper > 0 else "Q2"
        if upper == 0.0 or not carries_more(taker):
            return offsets
        return f"Why: base upper {high} is higher, so {taker} takes more; {end}"
    if scene.stage == "shared":
        return f"Why: the two contributions add; {end}"
    if scene.stage == "crossed":
        tail, names = (
            ("left", ("Q1", "Q2"))
            if scene.i_tail_left > scene.i_tail_right
            else ("right", ("Q4", "Q3"))
        )
        lead = f"the {tail} tail is larger"
    else:
        tail, names = ("left", ("Q1", "Q2")) if lower > 0 else ("right", ("Q4", "Q3"))
        lead = (
            f"lower {'+' if lower > 0 else chr(0x2212)} is higher, so the {tail} pair gets "
            "more of the tail"
        )
    taker = names[0] if upper > 0 else names[1]
    more_left = float(point.i_lower[0] - point.i_lower[1])
    steered = more_left > 0.0 if tail == "left" else more_left < 0.0
    signs = (v_out > 0) == ((upper > 0) == (tail == "left"))
    if upper == 0.0 or not (steered and signs and carries_more(taker)):
        return offsets
    return f"Why: {lead}; upper {high} is higher, so {taker} takes most there; {end}"


def table(scene):
    """Rows (name, value) of every number on the page."""
    point = scene.point
    rows = [
        ("Output v_out (right \u2212 left)", format_signed(float(point.v_out), "V", 4)),
        ("Left collector", format_quantity(float(point.v_left), "V", 5)),
        ("Right collector", format_quantity(float(point.v_right), "V", 5)),
        ("Gain from the upper input", format_fixed(float(point.gain_upper), 3, "V/V")),
    ]
    if scene.stage in ("cell", "shared"):
        which = "lower" if scene.stage == "cell" else "second"
        rows.append(
            (f"Gain from the {which} input", format_fixed(float(point.gain_lower), 3, "V/V"))
        )
    names = {"pair": 2}.get(scene.stage, 4)
    rows += [
        (
            f"Q{k + 1}, to the {'left' if k % 2 == 0 else 'right'} load",
            format_quantity(float(point.i_upper[k]), "A", 4),
        )
        for k in range(names)
    ]
    if scene.stage == "cell":
        rows += [
            (f"Q{k + 5}, tail of the {side} pair", format_quantity(float(point.i_lower[k]), "A", 4))
            for k, side in enumerate(("left", "right"))
        ]
    rows += [
        ("Left load current", format_quantity(float(point.i_load[0]), "A", 4)),
        ("Right load current", format_quantity(float(point.i_load[1]), "A", 4)),
        ("Tail current in all", format_quantity(float(point.i_tail), "A", 4)),
        (
            "Thermal voltage kT/q at " + format_temperature(float(point.temperature)),
            format_quantity(float(point.thermal_voltage), "V", 4),
        ),
    ]
    return rows


class SentenceView(MarkupView):
    """The sentence, the why line and the limits of the closed form."""

    def __init__(self, **params):
        super().__init__(**params)
        limits = "".join(f'<li data-id="limit{n}" hidden></li>' for n in range(_LIMIT_ROWS))
        self.rebuild(
            '<div class="saying"><p class="sentence" data-id="sentence"></p>'
            '<p class="why" data-id="why"></p>'
            f'<ul class="limits" aria-label="Where the prediction holds">{limits}</ul>'
            '<p class="aside" role="status" aria-live="polite" data-polite data-id="spoken"></p>'
            "</div>",
            {},
        )

    def show(self, scene):
        """Say what the scene does now."""
        text = keep_together(sentence(scene))
        out = {
            "sentence": {"#": text},
            "spoken": {"#": text},
            "why": {"#": keep_together(why(scene))},
        }
        limits = [
            limit
            for limit in scene.limits
            if scene.stage in ("cell",) or limit.name != "linear_v_lower"
        ]
        for n in range(_LIMIT_ROWS):
            limit = limits[n] if n < len(limits) else None
            out[f"limit{n}"] = {
                "#": keep_together(limit.text) if limit else "",
                "hidden": None if limit else "",
                "class": ""
                if limit is None
                else "holds"
                if limit.holds
                else "bends"
                if limit.name.startswith("linear")
                else "broken",
            }
        self.update(out)


class TableView(MarkupView):
    """Every number of the scene in a table that a screen reader can walk."""

    def __init__(self, **params):
        super().__init__(**params)
        self._names = None

    def show(self, scene):
        """Show the numbers of the scene."""
        rows = table(scene)
        names = [name for name, _ in rows]
        values = {f"cell{n}": {"#": value} for n, (_, value) in enumerate(rows)}
        if names != self._names:
            self._names = names
            body = "".join(
                f'<tr><th scope="row">{escape(name)}</th><td data-id="cell{n}"></td></tr>'
                for n, name in enumerate(names)
            )
            self.rebuild(
                '<details class="numbers"><summary>Numbers of this scene</summary>'
                f"<table><tbody>{body}</tbody></table></details>",
                values,
            )
        else:
            self.update(values)

    def csv(self, scene):
        """Comma-separated text of the table, values in SI units."""
        return csv_text(("quantity", "value"), _raw(scene))


def _raw(scene):
    point = scene.point
    for name in ("v_out", "v_left", "v_right"):
        yield f"{name}_V", float(getattr(point, name))
    for k, current in enumerate(point.i_upper):
        yield f"i_Q{k + 1}_A", float(current)
    for k, current in enumerate(point.i_lower):
        yield f"i_tail_{('left', 'right')[k]}_A", float(current)
    for name in ("gain_upper", "gain_lower"):
        yield f"{name}_V_per_V", float(getattr(point, name))
    yield "thermal_voltage_V", float(point.thermal_voltage)
