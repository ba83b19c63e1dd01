"""Noise at the drawn point: a band to add it up in, what it is, and what the textbook says."""

import math

from forktail.pages.build.entries import EntryPanel
from forktail.ui.html import element, number

#: Most rows of a `NoiseCard`.
_ROWS = 7


def _shown(value, unit):
    if value is None or not math.isfinite(value):
        return "\u2013"
    return number(value, unit)


class NoisePanel(EntryPanel):
    """The entry of the band, and the figures of a `NoiseCard`."""

    def __init__(self, **params):
        super().__init__(**params)
        entry = element(
            "label",
            inside=element("span", class_="what", data_id="label")
            + element(
                "input", type="text", size=7, data_id="in-noise_band", data_entry="noise_band",
                autocomplete="off",
            )
            + element(
                "span", class_="entry-error", data_id="err-noise_band", role="alert", hidden=True
            ),
            class_="entry-row",
        )  # fmt: skip
        heads = ("Noise at this point", "built", "textbook")
        head = "".join(element("th", text, scope="col") for text in heads)
        rows = "".join(
            element(
                "tr",
                inside=element("th", scope="row", data_id=f"name{n}")
                + element("td", data_id=f"built{n}")
                + element("td", data_id=f"law{n}"),
                data_id=f"row{n}",
                hidden=True,
            )
            for n in range(_ROWS)
        )
        cells = element(
            "table",
            inside=element("thead", inside=element("tr", inside=head))
            + element("tbody", inside=rows),
            class_="cells noise",
            data_id="cells",
            hidden=True,
        )
        trouble = element("p", class_="said", data_id="trouble", role="status", hidden=True)
        self.rebuild(element("div", inside=entry + trouble + cells, class_="trims"), {})

    def entries(self, state):
        """Show the band as it is set, or what was typed in vain."""
        spec = state.param.noise_band
        shown = self.entry("noise_band", spec.show(state.noise_band))
        self.update({"label": {"#": spec.label}} | shown)

    def show(self, card, trouble=""):
        """Show a `NoiseCard`, or why there is none."""
        text = trouble and f"There is no noise to show: {trouble}"
        out = {
            "trouble": {"#": text, "hidden": None if text else ""},
            "cells": {"hidden": None if card else ""},
        }
        rows = card.rows if card else ()
        for n in range(_ROWS):
            out[f"row{n}"] = {"hidden": None if n < len(rows) else ""}
        for n, (name, unit, built, law) in enumerate(rows):
            out[f"name{n}"] = {"#": name}
            out[f"built{n}"] = {"#": _shown(built, unit)}
            out[f"law{n}"] = {"#": _shown(law, unit)}
        self.update(out)
