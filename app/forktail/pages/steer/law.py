"""The law of a stage beside the picture: its factors with their numbers, and what it leaves out."""

from forktail.core.quantities import format_signed
from forktail.ui.law import LOAD, OUT, PRODUCT, TAIL, TIMES, UPPER, LawView, split, symbol

#: Stage -> its law in factors.
PIECES = {
    "pair": (OUT, "=", TAIL, TIMES, LOAD, TIMES, UPPER),
    "shared": (
        OUT, "=", LOAD, f"{TIMES} (", ("tail-left", symbol("i_left"), "law-left"), TIMES, UPPER,
        "+", ("tail-right", symbol("i_right"), "law-right"), TIMES,
        ("second", split("v_second"), "law-second"), ")",
    ),
    "crossed": (
        OUT, "=", ("tail", f"({symbol('i_left')} \u2212 {symbol('i_right')})", "law-tail"), TIMES,
        LOAD, TIMES, UPPER,
    ),
    "cell": PRODUCT,
}  # fmt: skip
#: What the law knows nothing of: setting of the cell -> what it is called.
_LEFT_OUT = {
    "offset_left": "the offset of the left pair",
    "offset_right": "the offset of the right pair",
    "offset_lower": "the offset of the lower pair",
    "r_emitter_upper": "the upper emitter resistors",
    "r_emitter_lower": "the lower emitter resistors",
}
#: Stage -> those of them that it has.
_HAS = {
    "pair": ("offset_left", "r_emitter_upper"),
    "shared": ("offset_left", "offset_right", "r_emitter_upper"),
    "crossed": ("offset_left", "offset_right", "r_emitter_upper"),
    "cell": tuple(_LEFT_OUT),
}


def numbers(scene):
    """Numbers of the factors, data-id -> (value, unit), and the output of the law, V."""
    first, last = scene.terms[0], scene.terms[-1]
    v_out = sum(t.v_out for t in scene.terms)
    out = {
        "law-out": (v_out, "V"),
        "law-load": (first.r_load, "ohm"),
        "law-upper": (first.splits[0], ""),
    }
    if scene.stage == "shared":
        out |= {"law-left": (first.current, "A"), "law-right": (last.current, "A")}
        out["law-second"] = (last.splits[0], "")
    else:
        out["law-tail"] = (first.current, "A")
    if scene.stage == "cell":
        out["law-lower"] = (first.splits[1], "")
    return out, v_out


def rest(scene, v_out):
    """What the law leaves out here, as a sentence; "" where it is the whole truth."""
    named = [_LEFT_OUT[n] for n in _HAS[scene.stage] if float(getattr(scene.settings, n))]
    if not named:
        return ""
    what = named[0] if len(named) == 1 else f"{', '.join(named[:-1])} and {named[-1]}"
    out = format_signed(float(scene.point.v_out), "V")
    return f"The law leaves out {what}; with that the output is {out}."


class StageLaw(LawView):
    """The law of the stage that a `Scene` is of."""

    def show(self, scene):
        """Show the numbers of the scene."""
        found, v_out = numbers(scene)
        super().show(PIECES[scene.stage], found, rest(scene, v_out))
