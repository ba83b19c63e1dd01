"""A card with a few figures of the scene."""

from html import escape

from forktail.lessons.quantity import show as text_of
from forktail.lessons.scenes.kinds import figures, kind_of
from forktail.ui.component import STYLE
from forktail.ui.markup import MarkupView
from forktail.ui.text import keep_together

CARD_STYLES = [STYLE, "assets/pages/lesson/style.css"]

#: Labels of figures on a card that are neither settings nor figures of merit.
LABELS = {
    "carrier_level": "Carrier line",
    "sideband_level": "Each sideband",
    "tone_level": "Tone leaking through",
    "out_peak": "Output, peak",
    "level_difference": "Difference line",
    "level_sum": "Sum line",
    "level_oscillator": "Oscillator leaking through",
    "level_signal": "Call leaking through",
    "v_out": "Output",
    "v_left": "Left collector",
    "v_right": "Right collector",
    "i_tail": "Tail current",
    "rest_tail": "Tail current at rest",
    "lowest": "Least headroom, Q1 to Q6",
    "rest_out": "Output at rest",
    "feed_upper": "Upper input leaking through, V/V",
    "feed_lower": "Lower input leaking through, V/V",
    "supply_current": "Supply current",
    "heat": "Total heat",
    "textbook_out": "Textbook output",
    "drop_left": "Drop across the left load",
    "gain_upper": "Gain, upper input",
    "gain_lower": "Gain, lower input",
    "saturated": "Saturated transistors",
    "node_left": "Left collector at rest",
    "node_level_upper": "Upper level",
    "node_level_lower": "Lower level",
    "node_base_upper_pos": "Base line, upper +",
    "hum_tail": "Tail current, per volt of hum",
    "hum_upper": "Upper base lines, V per volt of hum",
    "node_tail": "Tail node",
    "node_emitter_q7": "Emitter of Q7",
    "full_scale": "Tail current times load",
    **{f"headroom_q{k}": f"Headroom of Q{k}" for k in range(1, 8)},
    **{f"i_q{k}": f"Current in Q{k}" for k in range(1, 7)},
    "gain_ratio": "Product, captured over predicted",
    "offset": "DC offset of the output",
    "rest_rms": "Captured minus predicted, rms",
    "fit_rms": "Captured minus best fit, rms",
    "out_rms": "Captured output, rms",
    "predicted_rms": "Predicted output, rms",
    "delay": "Delay of the capture",
    "noise_from_upper": "Noise of the upper pairs",
    "noise_from_lower": "Noise of the lower pair",
    "noise_from_emitters": "Noise of the emitter resistors",
    "noise_from_loads": "Noise of the loads",
}
#: Figures of a card where a step does not say.
DEFAULTS = {
    "built": "v_out node_left rest_tail lowest",
    "capture": "gain_ratio feed_upper feed_lower offset rest_rms",
    "am": "depth carrier_level sideband_level",
    "dsb": "suppression carrier_level sideband_level",
    "mixer": "conversion_gain level_difference level_sum",
    "phase_detector": "output slope zero",
    "variable_gain": "gain out_peak",
    "gain_control_loop": "held attack release overshoot",
    "ssb": "rejection wanted image",
    "squarer": "second residual dc",
}


def label_of(state, name, merits=()):
    """What a figure is called on a card."""
    for merit in merits:
        if merit.key == name:
            return merit.name
    if name in LABELS:
        return LABELS[name]
    spec = state.param[name] if name in state.fields() else None
    return spec.label if spec is not None and spec.label else name.replace("_", " ")


def card_rows(state, merits=()):
    """Rows of a card: (name, label, value, textbook value or "")."""
    known = figures(kind_of(state.page), state)
    by_key = {m.key: m for m in merits}
    rows = []
    for name in (state.readings or DEFAULTS.get(state.page, "")).split():
        merit = by_key.get(name)
        if name not in known:
            value = "no answer"
        else:
            value = merit.reading if merit else text_of(known[name])
        law = merit.relation_reading if merit and name in known else ""
        rows.append((name, label_of(state, name, merits), value, law))
    return rows


class Card(MarkupView):
    """A few figures of the scene, each with its textbook value where there is one."""

    def __init__(self, **params):
        super().__init__(stylesheets=CARD_STYLES, **params)
        self._names = None

    def show(self, state, merits=()):
        """Show the readings that a state asks for."""
        rows = card_rows(state, merits)
        values = {"spoken": {"#": "; ".join(f"{label} {text}" for _, label, text, _ in rows)}}
        for name, _, text, law in rows:
            values[f"card-{name}"] = {"#": text}
            values[f"law-{name}"] = {"#": f"textbook {law}" if law else ""}
        names = tuple((name, label) for name, label, *_ in rows)
        if names == self._names:
            self.update(values)
            return
        self._names = names
        body = "".join(
            f'<div><dt>{escape(keep_together(label))}</dt><dd><b data-id="card-{name}"></b> '
            f'<span class="law" data-id="law-{name}"></span></dd></div>'
            for name, label in names
        )
        self.rebuild(
            f'<dl class="card-rows">{body}</dl><p class="aside" role="status" '
            'aria-live="polite" data-polite data-id="spoken"></p>',
            values,
        )


def card_lines(state, merits=()):
    """The card for print: rows of (label, value)."""
    return [(label, value) for _, label, value, _ in card_rows(state, merits)]
