"""Preferred values against the published tables."""

import numpy as np
import pytest

from forktail.core.built import preferred as parts

# IEC 60063:2015, table 1 (two counting digits), written out from the table
E6 = "10 15 22 33 47 68"
E12 = "10 12 15 18 22 27 33 39 47 56 68 82"
E24 = "10 11 12 13 15 16 18 20 22 24 27 30 33 36 39 43 47 51 56 62 68 75 82 91"
# IEC 60063:2015, table 2 (three counting digits), written out from the table
E48 = """100 105 110 115 121 127 133 140 147 154 162 169 178 187 196 205 215 226 237 249 261
274 287 301 316 332 348 365 383 402 422 442 464 487 511 536 562 590 619 649 681 715 750 787 825
866 909 953"""
E96 = """100 102 105 107 110 113 115 118 121 124 127 130 133 137 140 143 147 150 154 158 162 165
169 174 178 182 187 191 196 200 205 210 215 221 226 232 237 243 249 255 261 267 274 280 287 294
301 309 316 324 332 340 348 357 365 374 383 392 402 412 422 432 442 453 464 475 487 499 511 523
536 549 562 576 590 604 619 634 649 665 681 698 715 732 750 768 787 806 825 845 866 887 909 931
953 976"""
TABLES = {"E6": E6, "E12": E12, "E24": E24, "E48": E48, "E96": E96}


@pytest.mark.parametrize("series", TABLES)
def test_series_is_the_published_table(series):
    # IEC 60063:2015, tables 1 and 2
    table = [int(v) for v in TABLES[series].split()]
    assert len(table) == int(series[1:])
    assert list(parts.SERIES[series]) == table
    digits = 1 if table[0] == 10 else 2
    expected = [float(f"{v}e{-digits}") for v in table] + [10.0]
    assert parts.series_values(series).tolist() == expected


def test_e24_departs_from_the_rounded_geometric_series_only_where_published():
    # IEC 60063:2015: E24 keeps historical values in the middle of the decade and at 82
    rounded = [round(10 * 10 ** (n / 24)) for n in range(24)]
    odd = [v for v, r in zip(parts.SERIES["E24"], rounded) if v != r]
    assert odd == [27, 30, 33, 36, 39, 43, 47, 82]
    # each still lies within the 5 % of the series around its geometric place
    exact = 10 * 10 ** (np.arange(24) / 24)
    assert np.max(np.abs(np.array(parts.SERIES["E24"]) / exact - 1)) < 0.05


@pytest.mark.parametrize("series, count", [("E48", 48), ("E96", 96)])
def test_three_digit_series_is_the_geometric_series_rounded(series, count):
    # IEC 60063:2015: 10^(n/48), 10^(n/96) to three digits, without exception in E48 and E96
    assert list(parts.SERIES[series]) == [
        int(np.floor(100 * 10 ** (n / count) + 0.5)) for n in range(count)
    ]


def test_tolerance_of_each_series():
    # IEC 60063:2015, relation of series and tolerance
    assert parts.SERIES_TOLERANCE == {"E6": 0.2, "E12": 0.1, "E24": 0.05, "E48": 0.02, "E96": 0.01}
