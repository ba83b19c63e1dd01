"""Reading a capture: whatever the delimiter, the decimal sign, the units and the headings."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import dialects
from forktail.core.capture import headings, sniff
from forktail.core.capture import table as table_file
from forktail.core.capture.invented import invented_capture
from forktail.core.capture.read import (
    MOST_ROWS,
    Capture,
    map_columns,
    read_capture,
    read_table,
    thinned,
)
from forktail.core.checks import QuantityError

ROWS = 40


def wave(rows=ROWS, columns=3, seed=0):
    """Time in s on equal steps of 0.5 us, then signals in V."""
    signals = np.random.default_rng(seed).normal(size=(rows, columns - 1))
    return np.column_stack([np.arange(rows) * 0.5e-6, signals])


def text_of(data, delimiter=",", decimal=".", heading="", end="", newline="\n"):
    rows = [delimiter.join(f"{x:.15g}" for x in row).replace(".", decimal) + end for row in data]
    return heading + newline.join(rows) + newline


LAYOUT = st.sampled_from(
    [
        (",", "."),
        (";", "."),
        (";", ","),
        ("\t", "."),
        ("\t", ","),
        (" ", "."),
        ("   ", ","),
        (", ", "."),
        (" ; ", ","),
    ]
)


@settings(max_examples=60, deadline=None)
@given(
    LAYOUT,
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.sampled_from([b"", b"\xef\xbb\xbf"]),
    st.booleans(),
    st.integers(16, 60),
    st.sampled_from(["", "m", "u", "\u00b5", "k"]),
    st.sampled_from(["bracket", "row", "slash", "none"]),
    st.integers(0, 2**32 - 1),
)
def test_round_trip_of_every_layout(layout, newline, mark, trailing, rows, prefix, where, seed):
    delimiter, decimal = layout
    data = wave(rows, 4, seed)
    factor = {"": 1.0, "m": 1e-3, "u": 1e-6, "\u00b5": 1e-6, "k": 1e3}[prefix]
    names = ["time", "upper", "lower", "out"]
    units = ["s"] + [prefix + "V"] * 3
    bare = where == "none"
    if where == "bracket":
        lines = [delimiter.join(f"{n} ({u})" for n, u in zip(names, units))]
    elif where == "slash":
        lines = [delimiter.join(f"{n}/{u}" for n, u in zip(names, units))]
    else:
        lines = [delimiter.join(names)] + ([] if bare else [delimiter.join(units)])
    shown = data.copy()
    if not bare:
        shown[:, 1:] /= factor
    end = delimiter.strip() if trailing and delimiter.strip() else ""
    text = text_of(shown, delimiter, decimal, newline.join(lines) + newline, end, newline)
    table = read_table(mark + text.encode())
    np.testing.assert_allclose(table.data, data, rtol=1e-9, atol=1e-18)
    assert table.roles == {"time": 0, "v_upper": 1, "v_lower": 2, "v_out": 3}
    capture = map_columns(table)
    np.testing.assert_allclose(capture.v_out, data[:, 3], rtol=1e-9)
    assert capture.uniform and capture.sample_interval == pytest.approx(0.5e-6)


@pytest.mark.parametrize(
    "heading, units",
    [
        ("time_us,upper_mV,left (V),right [kV]\n", (1e-6, 1e-3, 1.0, 1e3)),
        ("Time in ms,Upper in volts,LEFT/mV,Right\n", (1e-3, 1.0, 1e-3, 1.0)),
        ("time,upper,left,right\nSecond,Volt,Volt,Volt\n", (1.0, 1.0, 1.0, 1.0)),
        ("time,upper,left,right\n(us),(mV),(V),(V)\n\n", (1e-6, 1e-3, 1.0, 1.0)),
    ],
)
def test_units_in_headings(heading, units):
    data = wave(columns=4)
    data[:, 0] = np.arange(ROWS)
    table = read_table(text_of(data, heading=heading))
    np.testing.assert_allclose(table.data, data * units, rtol=1e-12)
    assert table.roles == {"time": 0, "v_upper": 1, "v_left": 2, "v_right": 3}


def test_headings_of_any_kind_are_kept_and_counted():
    heading = (
        "Workshop bench 2\nmixer board,third build\nRecord length,40\n\ntime,left,right\ns,V,V\n"
    )
    table = read_table(text_of(wave(), heading=heading))
    assert table.first_row == 7 and len(table.headings) == 6
    assert table.names == ("time", "left", "right")
    assert len(table.data) == ROWS


@pytest.mark.parametrize(
    "line, interval",
    [
        ("Sample interval,0.5,us", 0.5e-6),
        ("Sample interval (us),0.5", 0.5e-6),
        ("Increment: 500ns", 5e-7),
        ("dt = 5e-7", 5e-7),
        ("Sampling rate,2 MHz", 5e-7),
        ("# sample rate: 2e6", 5e-7),
        ("Vertical interval,3\nTime step,5E-7,s", 5e-7),
    ],
)
def test_time_from_an_increment_in_the_headings(line, interval):
    data = wave()
    data[:, 0] = np.arange(ROWS)
    text = text_of(data, heading=f"{line}\nindex,left,right\n")
    capture = read_capture(text)
    np.testing.assert_allclose(capture.time, np.arange(ROWS) * interval, rtol=1e-12)
    assert any("time step was set" in n for n in capture.notes)
    with pytest.raises(QuantityError, match="no time column and no sample interval"):
        read_capture(text.replace(line, "bench 2"))
    own = read_capture(text, sample_interval=1e-3)
    assert own.time[-1] == pytest.approx((ROWS - 1) * 1e-3)


def test_sampling_interval_without_any_time_column():
    text = text_of(wave()[:, 1:], heading="left,right\n")
    assert read_capture(text, sample_interval=1e-6).time[1] == 1e-6
    with pytest.raises(QuantityError, match="give a time in s, or the interval"):
        read_capture(text)


def test_unequal_steps_are_kept():
    data = wave()
    data[:, 0] = np.cumsum(1e-6 * (1 + np.arange(ROWS) % 3))
    capture = read_capture(text_of(data, heading="time,left,right\n"))
    assert not capture.uniform
    np.testing.assert_allclose(capture.time, data[:, 0], rtol=1e-11)


def test_time_written_with_too_few_digits_becomes_equal_steps():
    data = wave(400)
    exact = data[:, 0].copy()
    data[:, 0] = np.round(exact * 1e6, 0) * 1e-6
    capture = read_capture(text_of(data, heading="time,left,right\n"))
    assert capture.uniform and capture.sample_interval == pytest.approx(0.5e-6, rel=1e-3)
    assert np.max(np.abs(capture.time - exact)) < 1e-6


def test_collectors_are_subtracted_and_factors_taken_in():
    data = wave()
    capture = read_capture(
        text_of(data, heading="time,left,right\n"), factors={"v_left": 10.0, "v_right": -1.0}
    )
    np.testing.assert_allclose(capture.v_out, -data[:, 2] - 10 * data[:, 1], rtol=1e-9)
    one = read_capture(text_of(data, heading="time,left,other\n"), roles={"time": 0, "v_left": 1})
    assert one.single_ended and one.v_out.mean() == pytest.approx(0.0, abs=1e-12)
    np.testing.assert_allclose(np.diff(one.v_out), -2 * np.diff(data[:, 1]), rtol=1e-9)


@pytest.mark.parametrize(
    "columns, roles",
    [
        (2, {"time": 0, "v_out": 1}),
        (3, {"time": 0, "v_left": 1, "v_right": 2}),
        (4, {"time": 0, "v_upper": 1, "v_lower": 2, "v_out": 3}),
        (5, {"time": 0, "v_upper": 1, "v_lower": 2, "v_left": 3, "v_right": 4}),
    ],
)
def test_guess_without_names_says_so(columns, roles):
    table = read_table(text_of(wave(columns=columns)))
    assert table.roles == roles
    assert len(table.guesses) == 2 and table.notes == ()
    assert set(table.guesses) < set(map_columns(table).notes)
    other = {"time": 0, "v_out": columns - 1}
    if other != roles:  # what the user said is no guess
        assert not set(table.guesses) & set(map_columns(table, other).notes)


def test_quotes_blank_rows_comments_and_code_pages():
    text = '"time (\u00b5s)";"left";"right"\n' + "".join(
        f'"{k},5";"{k % 3},25";"1"\n{"" if k % 7 else chr(10)}' for k in range(ROWS)
    )
    table = read_table((text + "# end of record\n").encode("cp1252"))
    np.testing.assert_allclose(table.data[:, 0], (np.arange(ROWS) + 0.5) * 1e-6)
    assert table.file_row(0) == 2 and table.file_row(1) == 4
    wide = read_table(b"\xff\xfe" + text.encode("utf-16-le"))
    np.testing.assert_array_equal(wide.data, table.data)


def test_blank_rows_keep_the_row_numbers_right():
    text = text_of(wave(), heading="time,left,right\n").replace("\n", "\n\n")
    table = read_table(text)
    assert [table.file_row(k) for k in (0, 1, 39)] == [3, 5, 81]
    assert map_columns(table).v_out.shape == (ROWS,)


def bad(change, heading="time,upper,out\n", **layout):
    """The rows of a good file with one row changed, and the message of the error."""
    lines = text_of(wave(), heading=heading, **layout).split("\n")[:-1]
    change(lines)
    with pytest.raises(QuantityError) as caught:
        read_capture(
            "\n".join(lines) + "\n", name="call.csv", roles={"time": 0, "v_upper": 1, "v_out": 2}
        )
    message = str(caught.value)
    assert "\n" not in message and message.startswith("call.csv: ")
    return message


def put(row, text):
    def change(lines):
        lines[row - 1] = text

    return change


@pytest.mark.parametrize(
    "row, text, said",
    [
        (9, "4e-6,x,1", "row 9, column 2 (upper): 'x' is not a number; give a number such as"),
        (9, "4e-6,1.2.3,1", "row 9, column 2 (upper): '1.2.3' is not a number"),
        (9, "4e-6,1_0,1", "row 9, column 2 (upper): '1_0' is not a number"),
        (9, "4e-6,1", "row 9, column 3 (out) is missing; the row has 2 values, not 3"),
        (9, "4e-6,1,2,3", "row 9, column 4 is one too many; the row has 4 values, not 3"),
        (2, "0,,1", "row 2, column 2 (upper) is empty; give a number such as 0.0125"),
        (9, "4e-6,inf,1", "row 9, column 2 (upper): 'inf' is not a finite number"),
        (9, "4e-6,1,-inf", "row 9, column 3 (out): '-inf' is not a finite number"),
        (9, "4e-6,1e999,1", "row 9, column 2 (upper): '1e999' is not a finite number"),
        (
            9,
            "1e-6,1,1",
            "row 9, column 1 (time): 1e-06 is before 3e-06 of the row above; time must",
        ),
        (9, "3e-6,1,1", "row 9, column 1 (time): 3e-06 repeats 3e-06 of the row above"),
        (2, "0,x,1", "row 2, column 2 (upper): 'x' is not a number"),
        (2, "0,1", "row 2, column 3 (out) is missing; the row has 2 values"),
        (2, "0,1,2,3", "row 2, column 4 is one too many"),
        (41, "2e-5,1", "row 41, column 3 (out) is missing"),
        (41, "end of record", "row 41, column 1 (time): 'end of record' is not a number"),
    ],
)
def test_a_bad_row_is_named_with_its_column_and_the_remedy(row, text, said):
    assert said in bad(put(row, text))


def test_a_bad_cell_under_a_decimal_comma_shows_a_comma():
    message = bad(put(9, "4;x;1"), heading="time;upper;out\n", delimiter=";", decimal=",")
    assert "row 9, column 2 (upper): 'x'" in message and "0,0125" in message


def test_a_repeat_is_found_in_its_row_below_blank_rows():
    def change(lines):
        lines[9] = ""
        lines[12] = lines[11]

    assert "row 13, column 1 (time)" in bad(change)


@pytest.mark.parametrize(
    "data, said",
    [
        ("", "row 1, column 1: the file is empty"),
        ("\n\n \n", "row 1, column 1: the file is empty"),
        ("\nhello\nworld\n", "row 2, column 1: no row holds only numbers"),
        (b"PK\x03\x04rest", "row 1, column 1: this is not text"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "row 1, column 1: this is not text"),
        (
            "time,left,right\n0,1,2\n1,2,3\n",
            "row 3, column 1: the numbers end after 2 rows; at least",
        ),
        (text_of(wave(columns=20)), "has 20 columns; the limit is 16"),
        ("\n" * 600 + text_of(wave()), "row 501, column 1: no row of 3 numbers"),
        (
            "time,left,right\n" + "".join(f"{k},5,1,25,0,5\n" for k in range(ROWS)),
            "row 2, column 4: 6 values are under 3 headings, so the comma seems to be both",
        ),
    ],
)
def test_a_file_that_is_no_capture_gets_one_sentence(data, said):
    with pytest.raises(QuantityError) as caught:
        read_table(data)
    assert said in str(caught.value) and "\n" not in str(caught.value)


def test_limits_are_refused_with_a_sentence(monkeypatch):
    monkeypatch.setattr(sniff, "MAX_BYTES", 1000)
    with pytest.raises(QuantityError, match="MiB; the limit is"):
        read_table(b"1,2,3\n" * 1000)
    with pytest.raises(QuantityError, match="MiB; the limit is"):
        read_table("1,2,3\n" * 1000)
    monkeypatch.setattr(sniff, "MAX_BYTES", 10**6)
    monkeypatch.setattr(table_file, "MAX_ROWS", 100)
    with pytest.raises(QuantityError, match="has 101 rows; the limit is 100"):
        read_table("1,2,3\n" * 101)
    with pytest.raises(QuantityError, match="has 601 rows; the limit is 100. Export a"):
        read_table("1,2,3\n" * 601)
    monkeypatch.setattr(table_file, "MAX_HEADINGS", 10)
    with pytest.raises(QuantityError, match="has 1000 rows; the limit is 100"):
        read_table("1,2,3\n" * 1000)


@pytest.mark.parametrize(
    "roles, said",
    [
        ({"time": 0, "v_out": 9}, "v_out is column position 9; it must be 0 to 2"),
        ({"time": 0, "v_out": "middle"}, "column 'middle', which is not there"),
        ({"time": 0, "v_out": 1, "v_upper": 1}, r"column 2 \(left\) is used for v_out and v_upper"),
        ({"time": 0, "v_upper": 1}, "no column is the output"),
        ({"time": 0, "voltage": 1}, "role 'voltage'; it must be one of time"),
        ({"time": 1, "v_out": 2}, r"column 2 \(left\) is in V; time needs s"),
        (
            {
                "time": 0,
                "v_out": 0,
            },
            "used for time and v_out",
        ),
    ],
)
def test_a_bad_mapping_is_refused(roles, said):
    table = read_table(text_of(wave(), heading="time (s),left (V),right (V)\n"))
    with pytest.raises(QuantityError, match=said):
        map_columns(table, roles)


def test_mapping_by_name_and_a_channel_that_is_no_voltage():
    table = read_table(text_of(wave(), heading="time (s),left (V),tail (A)\n"))
    assert table.units[2] in ("", "A")
    mapped = map_columns(table, {"time": "time", "v_out": "left", "v_upper": None})
    np.testing.assert_array_equal(mapped.v_out, table.data[:, 1])
    seconds = read_table(text_of(wave(), heading="time (s),left (V),gate (s)\n"))
    with pytest.raises(QuantityError, match=r"column 3 \(gate\) is in s; v_out needs a voltage"):
        map_columns(seconds, {"time": 0, "v_out": 2})
    with pytest.raises(QuantityError, match="factor of v_out is 0"):
        map_columns(table, {"time": 0, "v_out": 1}, factors={"v_out": 0})


@settings(max_examples=150, deadline=None)
@given(st.text(alphabet='0123456789.,;\t \n\r-+eE"#abmV()\ufeff\u00b5nif', max_size=400))
def test_any_text_is_read_or_refused_in_one_sentence(text):
    for data in (text, text.encode(), text * 20):
        try:
            capture = read_capture(data)
        except QuantityError as error:
            assert "\n" not in str(error) and str(error).endswith(".")
        else:
            assert np.all(np.isfinite(capture.v_out)) and np.all(np.diff(capture.time) > 0)


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(data):
    try:
        read_capture(data)
    except QuantityError as error:
        assert "\n" not in str(error)


def test_fast_and_careful_paths_agree():
    plain = invented_capture(rows=200, delimiter=";", decimal=",")
    quoted = "\n".join(
        ";".join(f'"{c}"' for c in line.split(";")) if k > 3 else line
        for k, line in enumerate(plain.split("\n")[:-1])
    )
    np.testing.assert_array_equal(read_table(plain).data, read_table(quoted).data)


# ---------------------------------------------------------------- dialects


@pytest.mark.parametrize("write", dialects.DIALECTS, ids=lambda f: f.__name__)
def test_a_dialect_is_read_as_it_was_meant(write):
    data = dialects.signals()
    capture = read_capture(write(data))
    assert capture.uniform and capture.sample_interval == pytest.approx(1e-6, rel=1e-9)
    assert capture.time - capture.time[0] == pytest.approx(data[:, 0], abs=1e-12)
    for k, name in enumerate(("v_upper", "v_lower", "v_left", "v_right"), 1):
        assert getattr(capture, name) == pytest.approx(data[:, k], abs=1e-9), name
    assert not any("fastest channel" in n for n in capture.notes)


def test_the_start_of_time_is_taken_from_the_headings():
    assert read_capture(dialects.start_and_increment(dialects.signals())).time[0] == pytest.approx(
        -20e-6
    )
    assert read_table(dialects.start_and_increment(dialects.signals())).start == -20e-6
    clock = "Start time,12:30\n" + dialects.metadata_lines(dialects.signals())
    assert read_capture(clock).time[0] == 0.0


def test_columns_are_counted_as_in_the_file():
    table = read_table(dialects.metadata_columns(dialects.signals()))
    assert table.numbers == (4, 5, 6, 7, 8)
    assert [table.position(n, "here") for n in table.numbers] == [0, 1, 2, 3, 4]
    assert table.column_label(1) == "column 5"
    with pytest.raises(QuantityError, match="here: there is no column 2 of numbers; .* 4, 5, 6"):
        table.position(2, "here")
    text = dialects.metadata_columns(dialects.signals()).replace("0.1,", "x,", 1)
    with pytest.raises(QuantityError, match="row 6, column 5: 'x' is not a number"):
        read_table(text)
    plain = read_table(dialects.numbered(dialects.signals()))
    assert plain.numbers == (1, 2, 3, 4, 5) and plain.first_row == 2
    with pytest.raises(QuantityError, match="has columns 1 to 5"):
        plain.position(6, "here")


def test_columns_of_a_table_made_by_hand_are_counted_from_one():
    table = replace(read_table(text_of(wave())), numbers=())
    assert [table.number(k) for k in range(3)] == [1, 2, 3]


def test_a_first_row_of_whole_numbers_is_a_sample_where_all_are():
    table = read_table("".join(f"{k},{k + 1},{k + 2}\n" for k in range(1, 40)))
    assert table.first_row == 1 and len(table.data) == 39


def test_a_time_base_that_makes_the_drives_absurd_is_said():
    data = dialects.signals()
    head = "time,upper,lower,left,right\n"
    slow = read_capture(head + dialects.rows_of(data, lambda k, t, *v: ",".join(map(str, (k, *v)))))
    said = [n for n in slow.notes if "fastest channel" in n]
    assert len(said) == 1 and "With 1.00 s from row to row" in said[0] and "46.9 mHz" in said[0]
    fast = dialects.rows_of(data, lambda k, t, *v: ",".join(f"{x:.9g}" for x in (t * 1e-6, *v)))
    assert any("GHz" in n for n in read_capture(head + fast).notes)
    flat = head + dialects.rows_of(data, lambda k, t, *v: f"{k},0.1,0.2,9.5,9.5")
    assert not any("fastest channel" in n for n in read_capture(flat).notes)
    rng = np.random.default_rng(3)
    noise = head + dialects.rows_of(
        rng.normal(size=(64, 5)), lambda k, t, *v: ",".join(map(str, (k, *v)))
    )
    assert not any("fastest channel" in n for n in read_capture(noise).notes)


HEAD = "time,upper,out\n"


@pytest.mark.parametrize("hole", ["", "NaN", "-", "--", "---", " ", "null", "N/A"])
def test_a_missing_sample_is_left_out_and_said(hole):
    lines = text_of(wave(), heading=HEAD).split("\n")
    cells = lines[8].split(",")
    lines[8] = ",".join((cells[0], hole, cells[2]))
    capture = read_capture("\n".join(lines))
    assert capture.notes[0].startswith("A sample is missing in row 9, column 2 (upper)")
    assert any("1 sample is missing in 1 gap, the first after row 8" in n for n in capture.notes)
    # 7 rows before the gap, 32 behind it
    assert len(capture.time) == 32 and capture.uniform and capture.time[0] == 4e-6
    assert capture.v_upper == pytest.approx(wave()[8:, 1])


def test_a_missing_sample_moves_no_time_that_is_counted():
    lines = text_of(wave()[:, 1:], heading="dt = 2us\nleft,right\n").split("\n")
    lines[22] = "1.0,"
    capture = read_capture("\n".join(lines))
    assert capture.time[0] == 0.0 and len(capture.time) == 20
    lines[22], lines[12] = lines[21], ",1.0"
    assert read_capture("\n".join(lines)).time[0] == pytest.approx(11 * 2e-6)


def test_many_missing_samples_are_refused():
    lines = text_of(wave(), heading=HEAD).split("\n")
    for k in range(5, 11):
        lines[k] = lines[k].split(",")[0] + ",,1"
    with pytest.raises(QuantityError) as caught:
        read_capture("\n".join(lines), "call.csv")
    said = "call.csv: row 6, column 2 (upper) is empty, and so are cells in 6 of 40 rows; give"
    assert str(caught.value).startswith(said)


@pytest.mark.parametrize(
    "dropped, said, left",
    [
        ([10], "1 sample is missing in 1 gap, the first after row 11; the longest", 29),
        ([10, 11, 30], "3 samples are missing in 2 gaps, the first after row 11; the longest", 18),
        ([8, 16, 24], "3 samples are missing in 3 gaps, the first after row 9; the steps", 37),
    ],
)
def test_rows_that_are_missing_are_found_in_the_time(dropped, said, left):
    data = np.delete(wave(), dropped, axis=0)
    capture = read_capture(text_of(data, heading=HEAD))
    assert [said in n for n in capture.notes].count(True) == 1
    assert len(capture.time) == left and capture.uniform is ("longest" in said)


def long_capture(rows, cycles):
    t = np.arange(rows) * 1e-8
    turn = 2 * np.pi * np.arange(rows) * cycles / rows
    noise = np.random.default_rng(4).normal(0.0, 1e-3, rows)
    return Capture(t, np.sin(turn) + noise, np.sin(turn), np.cos(turn), sample_interval=1e-8)


def test_a_long_capture_is_averaged_and_says_so():
    whole = long_capture(8000, 10)
    thin = thinned(whole, 2000)
    assert len(thin.time) == 2000 and thin.notes == (
        "Of 8000 rows, each 4 were averaged into one.",
    )
    assert thin.sample_interval == pytest.approx(4e-8) == thin.time[1] - thin.time[0]
    assert thin.time[0] == pytest.approx(1.5e-8)
    turn = 2 * np.pi * (np.arange(2000) * 4 + 1.5) * 10 / 8000
    assert thin.v_lower == pytest.approx(np.cos(turn), abs=1e-4)
    # four samples averaged halve the noise
    assert np.std(thin.v_out - thin.v_upper) == pytest.approx(0.5e-3, rel=0.1)
    assert thinned(whole, 8000) is whole


def test_a_long_capture_of_few_samples_a_cycle_is_picked_and_cut():
    picked = thinned(long_capture(8000, 80), 4000)
    assert picked.notes == ("Of 8000 rows, one in 2 was used.",)
    assert np.array_equal(picked.v_upper, long_capture(8000, 80).v_upper[::2])
    cut = thinned(long_capture(8000, 200), 2000)
    assert cut.notes == ("Of 8000 rows, the 2000 in the middle were used.",)
    assert cut.time[0] == pytest.approx(3000e-8) and cut.sample_interval == 1e-8
    both = thinned(long_capture(9000, 150), 1000)
    assert len(both.time) == 1000 and len(both.notes) == 2


def test_map_columns_thins_what_is_too_long(monkeypatch):
    from forktail.core.capture import columns

    assert MOST_ROWS >= 2**16
    text = text_of(wave(2000), heading="time,left,right\n")
    monkeypatch.setattr(columns.thinned, "__defaults__", (500,))
    capture = read_capture(text)  # noise: nothing says how fast it is
    assert len(capture.time) == 500 and capture.notes[-1].startswith("Of 2000 rows, each 4 were")


@pytest.mark.parametrize(
    "text, said",
    [
        (
            "time,left,right,,\n" + "0,1,2,,\n1,1,2,7,\n" + "2,1,2,,\n" * 20,
            "row 3, column 4 is one",
        ),
        ("a,b,c\n" + "0.5,1,2\n" * 3 + "0.5,1,2,x\n" + "0.5,1,2\n" * 20, "row 5, column 4 is one"),
        (
            ",,0.5,1\n" * 20 + "x,y,0.5\n",
            "row 21, column 4 is missing; the row has 3 values, not",
        ),
    ],
)
def test_cells_beside_the_numbers_are_let_pass_only_where_they_can_mean_something(text, said):
    with pytest.raises(QuantityError) as caught:
        read_table(text)
    assert said in str(caught.value)


@pytest.mark.parametrize(
    "role, names",
    [
        ("time", "time t Time Zeit temps tiempo tempo seconds"),
        ("index", "index Sample samples Sequence point points no nr n # row"),
        ("v_upper", "upper up V_upper vu quad oscillator carrier"),
        ("v_lower", "lower low V-lower vl pair call signal modulation"),
        ("v_left", "left vleft"),
        ("v_right", "right v_right"),
        ("v_out", "out output Vout difference diff product"),
        (None, "CH1 gate x u leftover"),
    ],
)
def test_what_a_name_says(role, names):
    assert {headings.role_of(name) for name in names.split()} == {role}


def test_a_name_of_several_words_is_told_by_one_of_them():
    assert headings.role_of("collector left") == headings.role_of("CH3 left") == "v_left"
    assert headings.role_of("the upper input") == "v_upper"
    assert headings.role_of("CH n 1") is None  # short words count alone only


@pytest.mark.parametrize(
    "unit, texts",
    [
        ((1.0, "s"), "s S second Seconds secs sec"),
        ((1e-3, "s"), "ms millisecond milliseconds msec"),
        ((1e-6, "s"), "us \u00b5s \u03bcs microsecond microseconds usec"),
        ((1e-9, "s"), "ns nanosecond nanoseconds nsec"),
        ((1.0, "V"), "V volt Volts"),
        ((1e-3, "V"), "mV millivolt Millivolts"),
        ((1e-6, "V"), "uV microvolt microvolts"),
        ((1e3, "V"), "kV kilovolt kilovolts"),
        (None, "t m k Hz x 1 - furlongs"),
    ],
)
def test_what_a_unit_says(unit, texts):
    for text in texts.split():
        found = headings.unit_of(text)
        if text == "Hz":
            assert found == (1.0, "Hz")
        else:
            assert found == unit, text
    assert headings.unit_of("") is None


@pytest.mark.parametrize(
    "line, interval",
    [
        ("fs = 2 Hz", 0.5),
        ("Sampling rate;2 kS/s", 0.5e-3),
        ("Sample rate: 4 MSa/s", 0.25e-6),
        ("Sampling frequency;1;GHz", 1e-9),
        ("Sample rate;5 samples/s", 0.2),
        ("Vertical increment;3 us", None),
        ("Sample interval;0", None),
        ("Sample interval;soon", None),
        ("x increment (ns);20", 20e-9),
        ("Vertical scale;;Increment\nV;;2,5 us", 2.5e-6),
        ("a;b;c;dt (us)\nV;V;V;4", 4e-6),
        ("increment;1 us\nincrement;7 us", 1e-6),
    ],
)
def test_an_interval_is_read_wherever_a_heading_has_it(line, interval):
    text = f"{line}\nleft;right\n" + text_of(wave()[:, 1:], ";")
    found = read_table(text).sample_interval
    assert found == pytest.approx(interval) if interval else np.isnan(found)


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"delimiter": ";", "decimal": ","},
        {"end": ","},
        {"end": ",,,"},
        {"delimiter": "\t", "decimal": ",", "end": "\t"},
        {"delimiter": "  "},
    ],
)
def test_plain_rows_are_read_at_once(change):
    """Row by row takes ten times as long; it leaves the number of every row."""
    table = read_table(text_of(wave(), **change))
    assert table.row_numbers is None
    np.testing.assert_allclose(table.data, wave(), rtol=1e-12)


def test_quoted_numbers_are_read_at_once():
    text = "".join(f'"{a:.9g}";"{b:.9g}"\n' for a, b in wave(columns=2))
    assert read_table(text).row_numbers is None


def test_a_comment_in_the_middle_keeps_the_rows_right():
    for mark in ("#", "%", "//"):
        lines = text_of(wave(), heading=HEAD).split("\n")
        lines.insert(11, f"{mark} the door was opened")
        table = read_table("\n".join(lines))
        assert [table.file_row(k) for k in (0, 9, 10, 39)] == [2, 11, 13, 42]


def test_a_heading_may_be_a_comment():
    for mark in ("#", "# ", "%", "//"):
        table = read_table(text_of(wave(), heading=f"{mark}time,left,right\n"))
        assert table.names == ("time", "left", "right")


def test_two_bytes_a_character_in_either_order():
    text = text_of(wave(), heading="time (\u00b5s),left,right\n")
    little = read_table(b"\xff\xfe" + text.encode("utf-16-le"))
    big = read_table(b"\xfe\xff" + text.encode("utf-16-be"))
    np.testing.assert_array_equal(little.data, big.data)
    assert little.names == big.names == ("time", "left", "right")


def test_spaces_that_do_not_break_stand_for_plain_ones():
    for space in ("\u00a0", "\u202f"):
        table = read_table(text_of(wave(), delimiter=space))
        assert table.delimiter == " " and table.data.shape == (ROWS, 3)


def test_the_decimal_sign_is_told_from_all_of_a_long_file():
    """Whole numbers at its beginning say nothing of the decimal sign."""
    whole = "".join(f"{k};{k % 7};1\n" for k in range(9000))
    broken = "".join(f"{k};{k % 7},5;0,25\n" for k in range(9000, 40000))
    table = read_table(whole + broken)
    assert (table.decimal, len(table.data)) == (",", 40000)
    assert table.data[-1].tolist() == [39999.0, 39999 % 7 + 0.5, 0.25]
    late = "".join(f"{k};{k % 7};1\n" for k in range(30000)) + "".join(
        f"{k};1,5;2\n" for k in range(30000, 32500)
    )
    assert read_table(late).decimal == ","


def test_several_columns_are_likelier_than_one():
    rows = "".join(f"{k},5 {k % 3},25\n" for k in range(30))
    table = read_table(rows)
    assert (table.delimiter, table.decimal) == (" ", ",") and table.data[4, 1] == 1.25
    one = read_table("".join(f"{k}.5\n" for k in range(30)))
    assert one.data.shape == (30, 1)


def test_limits_are_met_exactly(monkeypatch):
    text = "0,1,2\n" * 16 + "1,2,3\n"
    monkeypatch.setattr(sniff, "MAX_BYTES", len(text))
    assert len(read_table(text).data) == 17 == len(read_table(text.encode()).data)
    monkeypatch.undo()
    with pytest.raises(QuantityError, match="numbers end after 15 rows; at least 16 are needed"):
        read_table("0,1,2\n" * 15)
    assert len(read_table("0,1,2\n" * 16).data) == 16
    for columns, fits in ((16, True), (17, False)):
        row = ",".join(map(str, range(columns))) + "\n"
        if fits:
            assert read_table(row * 20).data.shape == (20, 16)
        else:
            with pytest.raises(QuantityError, match="has 17 columns; the limit is 16"):
                read_table(row * 20)


def test_a_long_cell_is_shortened():
    for text, shown in (("x" * 24, "x" * 24), ("x" * 25, "x" * 24 + "...")):
        assert f"'{shown}' is not a number" in bad(put(9, f"4e-6,{text},1"))


def test_what_is_said_of_units():
    with_time = read_capture(text_of(wave(), heading="time,left (V),right (V)\n"))
    assert with_time.notes == ("No unit is given for time: s and V were assumed.",)
    all_said = read_capture(text_of(wave(), heading="time (s),left (V),right (V)\n"))
    assert all_said.notes == ()
    counted = read_capture(
        text_of(wave(), heading="time,left (V),right (V)\n"), sample_interval=1e-6
    )
    assert counted.notes == ("The time step was set to 1.000 \u00b5s.",)


def test_an_index_may_leave_samples_out_and_a_time_in_steps_of_one_is_no_index():
    data = wave()
    data[:, 0] = np.arange(ROWS)
    data = np.delete(data, [20, 21], axis=0)
    capture = read_capture(text_of(data, heading="dt = 1us\nindex,left,right\n"))
    assert any("2 samples are missing in 1 gap" in n for n in capture.notes)
    # more is lost than it seems where the step changes: the index is no count then
    data[:, 0] = np.cumsum(np.arange(len(data)) % 2 + 1.0)
    uneven = read_capture(text_of(data, heading="dt = 1us\nindex,left,right\n"))
    assert not uneven.uniform and any("not equal" in n for n in uneven.notes)


def test_thinning_keeps_what_was_said_before():
    whole = long_capture(8000, 10)
    assert thinned(replace(whole, notes=("Said.",)), 2000).notes[0] == "Said."


# ---------------------------------------------------------------- what columns may be


@pytest.mark.parametrize(
    "heading, roles",
    [
        ("delay (s),time (s),out (V)", {"time": 1, "v_out": 2}),  # a name before a unit
        ("a (V),b (s),c (V)", {"time": 1, "v_left": 0, "v_right": 2}),  # a unit before the place
        ("upper (V),t (s),x (V)", {"v_upper": 0, "time": 1}),  # one name: nothing else is guessed
        ("index,x (s),out (V)", {"index": 0, "v_out": 2}),  # rows that are counted need no time
        ("time (V),x (V),out (V)", {"time": 0, "v_out": 2}),
        ("upper (s),x (V),out (V)", {"v_out": 2, "time": 0}),  # a signal has volts
    ],
)
def test_a_name_counts_more_than_a_unit_and_a_unit_more_than_the_place(heading, roles):
    data = np.column_stack([np.arange(ROWS) * 1e-6, np.arange(ROWS) * 2e-6, wave()[:, 1]])
    assert read_table(text_of(data, heading=heading + "\n")).roles == roles


def test_only_a_column_that_rises_beside_others_is_taken_for_the_time():
    rising = np.arange(ROWS) * 1e-6
    assert read_table(text_of(rising[:, None])).roles == {"v_out": 0}
    falling = np.column_stack([rising[::-1], wave()[:, 1]])
    assert read_table(text_of(falling)).roles == {"v_left": 0, "v_right": 1}
    still = np.column_stack([np.zeros(ROWS), wave()[:, 1]])
    assert read_table(text_of(still)).roles == {"v_left": 0, "v_right": 1}
    rises = np.column_stack([np.maximum(rising, 5e-6), wave()[:, 1]])
    assert read_table(text_of(rises)).roles == {"time": 0, "v_out": 1}


@pytest.mark.parametrize("line", ["Sample rate: 0 Hz", "Sample rate: -5 Hz", "Sample rate: high",
                                  "Sample interval: 0 s", "Sample interval: soon"])  # fmt: skip
def test_a_rate_or_interval_that_is_none_says_nothing(line):
    table = read_table(text_of(wave(), heading=f"{line}\ntime,upper,lower\n"))
    assert np.isnan(table.sample_interval)


@pytest.mark.parametrize("repeats, taken", [(3, True), (2, False)])
def test_three_repeats_are_few_digits_and_two_are_a_mistake(repeats, taken):
    data = wave()
    step = data[1, 0]
    for k in (5, 15, 25)[:repeats]:
        data[k, 0] -= 0.5 * step
        data[k - 1, 0] += 0.5 * step
    text = text_of(data, heading="time,upper,out\n")
    if taken:
        capture = read_capture(text)
        assert capture.uniform and "too few digits" in capture.notes[0]
    else:
        with pytest.raises(QuantityError, match="repeats"):
            read_capture(text)


@pytest.mark.parametrize("fast", ["upper", "lower"])
def test_an_absurd_drive_is_told_on_either_input(fast):
    t = np.arange(200) * 1e-9
    waves = {"upper": np.zeros(200), "lower": np.zeros(200)}
    waves[fast] = np.sin(2 * np.pi * 100e6 * t)
    data = np.column_stack([t, *waves.values(), waves[fast]])
    capture = read_capture(text_of(data, heading="time,upper,lower,out\n"))
    assert "would run at 100 MHz: check the unit of time" in capture.notes[-1]


def test_a_capture_says_what_it_is():
    plain = Capture(time=np.arange(3.0), v_out=np.array([1.0, 2.0, 3.0]))
    assert plain.uniform and not plain.single_ended and list(plain.channels()) == ["v_out"]
    assert repr(plain).startswith("<Capture: capture, 3 samples over 2.00 s, v_out")
    none = Capture(time=np.zeros(0), v_out=np.zeros(0))
    assert "0 samples over nothing" in repr(none)


# ---------------------------------------------------------------- rows, one by one


def test_cells_in_quotes_are_split_behind_spaces():
    assert sniff.split_row('"1", "2", 3', ",") == ["1", "2", "3"]
    assert sniff.split_row('"1,5";  "2,5"', ";") == ["1,5", "2,5"]


def test_where_the_numbers_begin():
    two, one = sniff.Layout(",", ".", (0, 1)), sniff.Layout(",", ".", (0,))
    assert sniff.find_start("t,u\n1,2\n5.5,6\n", two, "x") == (["t,u", "1,2"], 8)  # numbered
    assert sniff.find_start("1,2\n2,3\n", two, "x") == ([], 0)  # a count goes on as one
    assert sniff.find_start("1\n5.5\n", one, "x") == ([], 0)  # one column is not numbered
    with pytest.raises(QuantityError, match="no row of 2 numbers was found"):
        sniff.find_start("1,2", two, "x")
    assert sniff.numbers_columns(["1", "2", "3"]) and not sniff.numbers_columns(["1", "3"])


def test_text_may_stand_left_of_the_numbers_or_under_a_name():
    layout = sniff.Layout(",", ".", (1, 2))
    assert sniff.places_beside(layout, []) == {0}
    assert sniff.places_beside(layout, ["a,b,c,note"]) == {0, 3}
    assert sniff.places_beside(layout, ["a,b,3,note"]) == {0}  # a number among them: no names
    assert sniff.places_beside(layout, ["a,b"]) == {0}


def test_the_layout_is_found_where_the_headings_are_longer_than_what_is_looked_at(monkeypatch):
    monkeypatch.setattr(sniff, "PIECE", 3000)
    heading = "".join(f"remark number {k}\n" for k in range(300))
    table = read_table(text_of(wave(200), heading=heading))
    assert table.data.shape == (200, 3) and table.first_row == 301


@pytest.mark.parametrize("cell", ["-nan", "+inf", "-Infinity", "1e999", "-1E+400"])
def test_what_is_not_finite_is_said_to_be_that(cell):
    rows = text_of(wave()).splitlines()
    rows[20] = f"1e-5,{cell},0"
    with pytest.raises(QuantityError, match=r"row 21, column 2: '.*' is not a finite number"):
        read_table("\n".join(rows))


def test_a_damaged_row_among_the_headings_is_named():
    good = text_of(wave())
    for row, said in (
        ("1e-6,x.5,3", "row 2, column 2 (upper): 'x.5' is not a number"),
        ("1e-6,0.5", "row 2, column 3 (lower) is missing; the row has 2 values, not 3"),
        ("1e-6,0.5,1,4", "row 2, column 4 is one too many; the row has 4 values, not 3"),
    ):
        with pytest.raises(QuantityError) as refused:
            read_table(f"time,upper,lower\n{row}\n{good}")
        assert said in str(refused.value)
    assert read_table(f"time,upper,lower\n7\n{good}").first_row == 3  # one number is a remark


def test_a_comma_between_and_inside_the_numbers_is_told_from_the_headings():
    rows = [f"0,{k:02d},1,{k:02d}" for k in range(20)]
    body = "\n".join(rows) + "\n"
    for above in ("t,u\n", "t,u\n0,0\n"):
        with pytest.raises(QuantityError, match="both decimal sign and delimiter"):
            read_table(above + body)
    points = body.replace("0,05,1,05", "0,05,1,0.5")
    assert read_table("t,u\n" + points).data.shape == (20, 4)  # a point: the comma only separates
