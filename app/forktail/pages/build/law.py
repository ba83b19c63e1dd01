"""The textbook law beside the built cell, and what it leaves out of it."""

import math

from forktail.core.quantities import format_signed
from forktail.ui.law import PRODUCT, LawView


def left_out(circuit):
    """What the law knows nothing of in a circuit, as names."""
    c = circuit
    return [
        name
        for there, name in (
            (c.faults, "the faults"),
            (c.r_emitter_upper, "the upper emitter resistors"),
            (c.r_emitter_lower, "the lower emitter resistors"),
            (len(set(c.area)) > 1, "unequal transistors"),
            (c.r_load_left != c.r_load_right, "unequal loads"),
            (math.isfinite(c.beta_forward), "base currents"),
            (math.isfinite(c.v_early), "the Early voltage"),
        )
        if there
    ]


class BuiltLaw(LawView):
    """The law with the tail at rest and the mean load of a `BuildScene`."""

    def show(self, scene):
        """Show the numbers of the scene; nothing where the tail has no answer."""
        law = scene.law
        if law is None:
            super().show((), {})
            return
        numbers = {
            "law-out": (law.v_out, "V"),
            "law-tail": (law.current, "A"),
            "law-load": (law.r_load, "ohm"),
            "law-upper": (law.splits[0], ""),
            "law-lower": (law.splits[1], ""),
        }
        names = left_out(scene.circuit) or ["saturation"]
        what = " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))
        built = format_signed(float(scene.built.v_out), "V")
        super().show(PRODUCT, numbers, f"Built it gives {built}: the law leaves out {what}.")
