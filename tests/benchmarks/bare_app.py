"""The reference of the page budgets: a bare Bokeh app, one slider, one line of 1024 points."""

import sys

import numpy as np
from bokeh.layouts import column
from bokeh.models import ColumnDataSource, Slider
from bokeh.plotting import figure
from bokeh.server.server import Server

X = np.linspace(0.0, 1.0, 1024, dtype=np.float32)


def bare(document):
    """One slider bends one line."""
    source = ColumnDataSource({"x": X, "y": np.sin(10 * X)})
    plot = figure(width=600, height=400)
    plot.line("x", "y", source=source)
    slider = Slider(start=0, end=100, step=1, value=10)

    def bend(attribute, old, new):
        source.data = {"x": X, "y": np.sin(new * X)}

    slider.on_change("value", bend)
    document.add_root(column(slider, plot))


if __name__ == "__main__":
    server = Server({"/": bare}, port=int(sys.argv[1]))
    server.start()
    server.io_loop.start()
