"""Ways in which recorders write one capture, each in words: functions from numbers to a file.

No maker's format is meant by any of them. The capture is made up.
"""

import numpy as np


def signals(rows=64):
    """Time in s, both inputs and both collectors in V: a made-up mixer, 50 and 45 kHz."""
    t = np.round(np.arange(rows) * 1e-6, 9)
    up = np.round(0.1 * np.sin(2 * np.pi * 50e3 * t), 5)
    low = np.round(0.02 * np.sin(2 * np.pi * 45e3 * t + 1.0), 5)
    product = np.round(20.0 * up * low, 4)
    return np.column_stack([t, up, low, 9.5 - product, 9.5 + product])


def rows_of(data, write):
    return "".join(write(k, *row) + "\n" for k, row in enumerate(data))


def comma(x):
    return f"{x:.9g}".replace(".", ",")


def start_and_increment(d):
    """Names, start and increment in the first row, their values below the units; X counts."""
    head = "X,CH1,CH2,CH3,CH4,Start,Increment,\nSequence,Volt,Volt,Volt,Volt,-2e-5,1e-6,\n"
    return head + rows_of(d, lambda k, t, *v: f"{k}," + ",".join(map(str, v)) + ",")


def start_in_the_first_row(d):
    """The same with start and increment beside the first sample."""
    head = "X,upper,lower,left,right,Start,Increment\n"
    return head + rows_of(
        d,
        lambda k, t, *v: f"{k}," + ",".join(map(str, v)) + (",0,1e-6" if k == 0 else ",,"),
    )


def metadata_columns(d):
    """Settings in the three columns left of the numbers, one a row until they are told."""
    said = ["Record Length,64,Points,", "Sample Interval,1e-06,s,", "Trigger Point,10,Samples,"]
    return rows_of(d, lambda k, *v: (said[k] if k < 3 else ",,,") + ",".join(f"{x:.9g}" for x in v))


def blocks_side_by_side(d):
    """Each channel with a time column and an empty column of its own, side by side."""
    return "t,upper,,t,lower,,t,left,,t,right\n" + rows_of(
        d, lambda k, t, *v: ",,".join(f"{t:.9g},{x}" for x in v)
    )


def metadata_lines(d):
    """Settings in lines of key and value above, an index instead of the time."""
    head = "# bench 2\n# Sample interval: 1 us\nChannels,4\n\nindex,upper,lower,left,right\n"
    return head + rows_of(d, lambda k, t, *v: ",".join(map(str, (k, *v))))


def rate_and_semicolons(d):
    """A rate in samples a second, semicolons, decimal commas, no time at all."""
    return "Sampling rate;1 MS/s\nupper;lower;left;right\nV;V;V;V\n" + rows_of(
        d, lambda k, t, *v: ";".join(map(comma, v))
    )


def quoted(d):
    """Every cell in quotation marks, decimal commas inside, commas between."""
    names = '"time (us)","upper (mV)","lower (mV)","left (V)","right (V)"\n'
    scale = (1e6, 1e3, 1e3, 1.0, 1.0)
    return names + rows_of(d, lambda k, *v: ",".join(f'"{comma(x * s)}"' for x, s in zip(v, scale)))


def wide_text(d):
    """Two bytes a character with a mark in front, tabs, carriage returns."""
    text = "Zeit [\u00b5s]\tupper [mV]\tlower [mV]\tleft\tright\n" + rows_of(
        d, lambda k, t, u, low, a, b: "\t".join(map(comma, (t * 1e6, u * 1e3, low * 1e3, a, b)))
    )
    return text.replace("\n", "\r\n").encode("utf-16")


def sheet(d):
    """A spreadsheet's export: empty columns on the right, empty rows below."""
    text = "time,upper,lower,left,right,,,\n" + rows_of(
        d, lambda k, *v: ",".join(f"{x:.9g}" for x in v) + ",,,"
    )
    return text + ",,,,,,,\n" * 5


def numbered(d):
    """The columns are only numbered."""
    return "1,2,3,4,5\n" + rows_of(d, lambda k, *v: ",".join(f"{x:.9g}" for x in v))


def many_headings(d):
    """Five header lines, names and units in rows of their own, spaces between numbers."""
    head = "Workshop\nmixer board, third build\n2024 05 01\n\ntime upper lower left right\n"
    return (
        head
        + "us mV mV V V\n"
        + rows_of(
            d, lambda k, t, u, low, a, b: f"{t * 1e6:.6g}  {u * 1e3:.6g}  {low * 1e3:.6g}  {a}  {b}"
        )
    )


def comments_at_the_end(d):
    """Old code page, a micro sign in the heading, remarks below the numbers."""
    text = "time (\u00b5s);upper;lower;left;right\n" + rows_of(
        d, lambda k, t, *v: ";".join(f"{x:.9g}" for x in (t * 1e6, *v))
    )
    return (text + "\n# end of record \u00b0\n").encode("cp1252")


def minus_signs(d):
    """Typographic minus signs and spaces that do not break."""
    text = "time;upper;lower;left;right\n" + rows_of(
        d, lambda k, *v: ";\u00a0".join(f"{x:.9g}" for x in v)
    )
    return text.replace("-0.", "\u22120.")


def stated_step(d):
    """No time column; the step in a heading with its unit in the key."""
    return "Time step (ns),1000\nupper,lower,left,right\n" + rows_of(
        d, lambda k, t, *v: ",".join(map(str, v))
    )


DIALECTS = (
    start_and_increment,
    start_in_the_first_row,
    metadata_columns,
    blocks_side_by_side,
    metadata_lines,
    rate_and_semicolons,
    quoted,
    wide_text,
    sheet,
    numbered,
    many_headings,
    comments_at_the_end,
    minus_signs,
    stated_step,
)
