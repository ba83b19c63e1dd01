"""Plots for paper: round ticks, peaks and gaps kept."""

import re

import numpy as np

from forktail.ui.static_chart import chart, thinned, ticks


def test_ticks_are_round_and_inside():
    assert ticks(-0.11, 0.11) == [-0.1, -0.05, 0.0, 0.05, 0.1]
    for low, high in ((0.0, 1.0), (10.63, 10.78), (-3e-6, 4e-6)):
        found = ticks(low, high)
        assert 2 <= len(found) <= 7 and low - 1e-12 <= found[0] and found[-1] <= high + 1e-12


def test_thinning_keeps_peaks_and_gaps():
    x = np.arange(100_000) / 1e5
    y = np.sin(2 * np.pi * 3 * x)
    y[31_234] = 7.0
    y[50_000:60_000] = np.nan
    a, b = thinned(x, y, 800)
    assert a.size <= 802 and np.all(np.diff(a) >= 0)
    assert np.nanmax(b) == 7.0 and np.nanmin(b) == np.nanmin(y)
    assert np.isnan(b[(a > 0.51) & (a < 0.59)]).all()


def test_chart_breaks_its_line_where_there_is_no_number():
    t = np.linspace(0.0, 1e-3, 50)
    y = np.where((t > 4e-4) & (t < 5e-4), np.nan, np.sin(1e4 * t))
    svg = chart("a < b", t, [("left", y, "left")])
    (path,) = re.findall(r'class="c-line" d="([^"H]+)"', svg)
    assert path.count("M") == 2 and "a &lt; b" in svg and "nan" not in svg
