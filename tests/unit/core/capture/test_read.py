"""Reading a capture: whatever the delimiter, the decimal sign, the units and the headings."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forktail.core.capture import read as capture_file
from forktail.core.capture.compare import invented_capture, map_columns, read_capture, read_table
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
    assert any("counted in steps" in n for n in capture.notes)
    with pytest.raises(QuantityError, match="no time column and no sample interval"):
        read_capture(text.replace(line, "bench 2"))
    own = read_capture(text, sample_interval=1e-3)
    assert own.time[-1] == pytest.approx((ROWS - 1) * 1e-3)


def test_sampling_interval_without_any_time_column():
    text = text_of(wave()[:, 1:], heading="left,right\n")
    assert read_capture(text, sample_interval=1e-6).time[1] == 1e-6
    with pytest.raises(QuantityError, match="wanted is a time in s, or the interval"):
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
    assert len(table.notes) == 2


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
        (9, "4e-6,x,1", "row 9, column 2 (upper): 'x' is not a number; wanted is a number such as"),
        (9, "4e-6,1.2.3,1", "row 9, column 2 (upper): '1.2.3' is not a number"),
        (9, "4e-6,1_0,1", "row 9, column 2 (upper): '1_0' is not a number"),
        (9, "4e-6,,1", "row 9, column 2 (upper) is empty; wanted is a number"),
        (9, "4e-6,1,", "row 9, column 3 (out) is empty; wanted is a number"),
        (9, "4e-6,1", "row 9, column 3 (out) is missing; the row has 2 values, wanted is 3"),
        (9, "4e-6,1,2,3", "row 9, column 4 is one too many; the row has 4 values, wanted is 3"),
        (9, "4e-6,nan,1", "row 9, column 2 (upper): 'nan' is not a finite number"),
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
            "row 3, column 1: the numbers end after 2 rows; wanted",
        ),
        (text_of(wave(columns=20)), "has 20 columns; allowed is at most 16"),
        ("\n" * 600 + text_of(wave()), "row 501, column 1: no row of 3 numbers"),
        (
            "time,left,right\n" + "".join(f"{k},5,1,25,0,5\n" for k in range(ROWS)),
            "row 2, column 4: 6 values stand under 3 headings, so the comma seems to be "
            "decimal sign",
        ),
    ],
)
def test_a_file_that_is_no_capture_gets_one_sentence(data, said):
    with pytest.raises(QuantityError) as caught:
        read_table(data)
    assert said in str(caught.value) and "\n" not in str(caught.value)


def test_limits_are_refused_with_a_sentence(monkeypatch):
    monkeypatch.setattr(capture_file, "MAX_BYTES", 1000)
    with pytest.raises(QuantityError, match="MiB; allowed is at most"):
        read_table(b"1,2,3\n" * 1000)
    with pytest.raises(QuantityError, match="MiB; allowed is at most"):
        read_table("1,2,3\n" * 1000)
    monkeypatch.setattr(capture_file, "MAX_BYTES", 10**6)
    monkeypatch.setattr(capture_file, "MAX_ROWS", 100)
    with pytest.raises(QuantityError, match="has 101 rows; allowed is at most 100"):
        read_table("1,2,3\n" * 101)
    monkeypatch.setattr(capture_file, "MAX_HEADINGS", 10)
    with pytest.raises(QuantityError, match="has 1000 rows; allowed is at most 100"):
        read_table("1,2,3\n" * 1000)


@pytest.mark.parametrize(
    "roles, said",
    [
        ({"time": 0, "v_out": 9}, "v_out is column position 9; allowed is 0 to 2"),
        ({"time": 0, "v_out": "middle"}, "column 'middle', which is not there"),
        ({"time": 0, "v_out": 1, "v_upper": 1}, r"column 2 \(left\) is used for v_out and v_upper"),
        ({"time": 0, "v_upper": 1}, "no column is the output"),
        ({"time": 0, "voltage": 1}, "role 'voltage'; allowed is time"),
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
