"""Axes of the plots of Uses."""

from forktail.pages.uses.plots import CurvePlot


def test_ticks_that_are_free_again_say_their_own_number():
    # in the browser Bokeh keeps a text that was once given to a tick, so none may be left out
    plot = CurvePlot()
    plot.set_ticks("x", [-2.0, -1.0, 0.0, 0.5], ["10 mV", "100 mV", "1 V", "3 V"])
    plot.free_ticks("x", 6)
    named = plot.figure.xaxis[0].major_label_overrides
    assert named == {-2: "\u22122", -1: "\u22121", 0: "0", 0.5: "0.5"}
