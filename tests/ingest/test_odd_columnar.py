"""Parquet, Feather and Arrow files as data tools leave them: every right answer was written down before a reader was asked."""

from __future__ import annotations

import datetime as dt
import decimal
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.feather as feather
import pyarrow.parquet as pq
import pytest

from tests.right_answers import Refused, Right, Samples, differences

N = 20
START = dt.datetime(2031, 4, 1, 10)
UTC = START.replace(tzinfo=dt.UTC)
FIRST, LAST = "2031-04-01T10:00:00", "2031-04-01T10:00:19"
IAS, RPM = 80.5 + np.arange(N), 2400 + np.arange(N)
AIR = {"ias_kt": Samples(80.5, 99.5, unit="kt", channel="indicated_airspeed"), "rpm": Samples(2400.0, 2419.0)}
Case = tuple[Callable[[Path], Path], Right | Refused]


def stamps(step_ms: int = 1000) -> list[dt.datetime]:
    return [START + dt.timedelta(milliseconds=step_ms * k) for k in range(N)]


def table(time: Any, name: str = "utc", **more: Any) -> pa.Table:
    return pa.table({name: time, "ias_kt": IAS, "rpm": RPM} | more)


def parquet(made: pa.Table, **options: Any) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        pq.write_table(made, folder / "log.parquet", **options)
        return folder / "log.parquet"

    return make


def typed(unit: str, zone: str | None = None) -> pa.Array:
    return pa.array(stamps(), pa.timestamp("us")).cast(pa.timestamp(unit, zone))


def frame(index: Any, **options: Any) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        made = pd.DataFrame({"ias_kt": IAS, "rpm": RPM}, index=index)
        made.to_parquet(folder / "log.parquet", **options)
        return folder / "log.parquet"

    return make


def _partitioned(folder: Path) -> Path:
    """A folder of parts by a key, as data tools write a large table."""
    for k, part in enumerate(("a", "b")):
        place = folder / "sortie" / f"leg={part}"
        place.mkdir(parents=True)
        rows = slice(10 * k, 10 * k + 10)
        made = pa.table({"utc": typed("us")[rows], "ias_kt": IAS[rows], "rpm": RPM[rows]})
        pq.write_table(made, place / "part-0.parquet")
    (folder / "sortie" / "_SUCCESS").write_bytes(b"")
    return folder / "sortie"


def _empty_groups(folder: Path) -> Path:
    made = table(typed("us"))
    with pq.ParquetWriter(folder / "log.parquet", made.schema) as writer:
        for part in (made.slice(0, 0), made.slice(0, 7), made.slice(7, 0), made.slice(7)):
            writer.write_table(part)
    return folder / "log.parquet"


def _feather_1_by_hand(folder: Path) -> Path:
    (folder / "log.feather").write_bytes(b"FEA1" + bytes(200) + b"FEA1")
    return folder / "log.feather"


def _stream(folder: Path) -> Path:
    made = table(typed("ns"))
    with pa.OSFile(str(folder / "log.arrows"), "wb") as sink, pa.ipc.new_stream(sink, made.schema) as writer:
        for batch in made.to_batches(max_chunksize=7):
            writer.write_batch(batch)
    return folder / "log.arrows"


def _feather_compressed(folder: Path) -> Path:
    feather.write_feather(table(typed("us")), folder / "log.feather", compression="zstd")
    return folder / "log.feather"


def units(**found: str) -> pa.Table:
    made = pa.table({"utc": typed("us"), "ias": IAS, "rpm": RPM})
    fields = [f.with_metadata({"unit": found[f.name]}) if f.name in found else f for f in made.schema]
    return made.cast(pa.schema(fields))


def _twice() -> pa.Table:
    return pa.Table.from_arrays(
        [typed("us"), pa.array(IAS), pa.array(RPM), pa.array(RPM + 100)], ["utc", "ias_kt", "rpm", "rpm"]
    )


LOCAL = Right(N, "unzoned", FIRST, LAST, AIR)
WHOLE = Right(N, "utc", FIRST + "Z", LAST + "Z", AIR)
SPREAD = {"ias_kt": Samples(80.5, 99.5, 1, "kt")}
CASES: dict[str, Case] = {
    **{f"stamps in {unit}, naive": (parquet(table(typed(unit), "time")), LOCAL) for unit in ("s", "ms", "us", "ns")},
    **{f"stamps in {unit}, UTC": (parquet(table(typed(unit, "UTC"), "time")), WHOLE) for unit in ("ms", "us", "ns")},
    "stamps of a named zone": (
        parquet(table(pa.array(stamps(), pa.timestamp("us", "UTC")).cast(pa.timestamp("us", "Europe/Berlin")), "time")),
        WHOLE,
    ),
    "the old form of stamps": (parquet(table(typed("us", "UTC"), "time"), use_deprecated_int96_timestamps=True), LOCAL),
    "a data frame's index of stamps": (frame(pd.DatetimeIndex(stamps(), tz="UTC", name="time")), WHOLE),
    "a data frame's index without a name": (frame(pd.DatetimeIndex(stamps(), tz="UTC")), WHOLE),
    "a data frame's index of seconds": (
        frame(pd.Index(np.arange(N, dtype=float), name="time_s")),
        Right(N, "elapsed", 0.0, 19.0, AIR),
    ),
    "a data frame's index of durations": (
        frame(pd.to_timedelta(np.arange(N), unit="s")),
        Right(N, "elapsed", 0.0, 19.0, AIR),
    ),
    "a number for each row as index": (
        lambda folder: frame(pd.RangeIndex(N))(folder),
        Refused(["time"]),
    ),
    "two levels of index": (
        frame(pd.MultiIndex.from_arrays([["a"] * N, pd.DatetimeIndex(stamps(), tz="UTC")], names=["leg", "time"])),
        WHOLE,
    ),
    "states as a dictionary": (
        parquet(table(typed("us", "UTC"), gear=pa.array(["up"] * 10 + ["down"] * 10).dictionary_encode())),
        Right(N, "utc", FIRST + "Z", LAST + "Z", AIR | {"gear": Samples("up", "down")}),
    ),
    "decimal numbers": (
        parquet(
            table(
                typed("us", "UTC"),
                oat_degC=pa.array([decimal.Decimal(f"{k}.25") for k in range(N)], pa.decimal128(10, 2)),
            )
        ),
        Right(N, "utc", FIRST + "Z", LAST + "Z", AIR | {"oat_degC": Samples(0.25, 19.25, 0, "degC")}),
    ),
    "structs": (
        parquet(table(typed("us", "UTC"), gps=pa.array([{"lat": 47.0 + k / 1000, "lon": 8.0} for k in range(N)]))),
        Right(N, "utc", FIRST + "Z", LAST + "Z", AIR | {"gps.lat": Samples(47.0, 47.019, channel="latitude")}),
    ),
    "lists of one length": (
        parquet(table(typed("us", "UTC"), cht_degC=pa.array([[90.0 + k, 95.0 + k] for k in range(N)]))),
        Right(
            N,
            "utc",
            FIRST + "Z",
            LAST + "Z",
            AIR | {"cht_degC[0]": Samples(90.0, 109.0, 0, "degC"), "cht_degC[1]": Samples(95.0, 114.0, 0, "degC")},
        ),
    ),
    "nulls and not-a-numbers": (
        parquet(table(typed("us", "UTC"), oat_degC=pa.array([None, float("nan"), *np.arange(18.0)]))),
        Right(N, "utc", FIRST + "Z", LAST + "Z", AIR | {"oat_degC": Samples(0.0, 17.0, 2, "degC")}),
    ),
    "a column of nothing": (
        parquet(table(typed("us", "UTC"), spare=pa.nulls(N))),
        Right(N, "utc", FIRST + "Z", LAST + "Z", AIR),
    ),
    "one name twice": (
        parquet(_twice()),
        Right(
            N,
            "utc",
            FIRST + "Z",
            LAST + "Z",
            {"rpm (column 3)": AIR["rpm"], "rpm (column 4)": Samples(2500.0, 2519.0)},
            codes=["DUPLICATE_COLUMN"],
        ),
    ),
    "units of the fields": (
        parquet(units(ias="kt", rpm="1/min")),
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"ias": AIR["ias_kt"]}),
    ),
    "a duration as time": (
        parquet(table(pa.array([dt.timedelta(seconds=k) for k in range(N)], pa.duration("ms")), "elapsed")),
        Right(N, "elapsed", 0.0, 19.0, AIR),
    ),
    "date and time of day": (
        parquet(table(pa.array([s.time() for s in stamps()], pa.time64("us")), date=pa.array([START.date()] * N))),
        WHOLE,
    ),
    "time of day in milliseconds over midnight": (
        parquet(
            table(
                pa.array(
                    [(START.replace(hour=23, minute=59, second=50) + dt.timedelta(seconds=k)).time() for k in range(N)],
                    pa.time32("ms"),
                )
            )
        ),
        Right(N, "time_of_day_no_date", columns=AIR, step=1.0),
    ),
    "dates as text": (
        parquet(table([s.isoformat() + "+02:00" for s in stamps()], "time")),
        Right(N, "utc", "2031-04-01T08:00:00Z", columns=AIR),
    ),
    "whole numbers of nanoseconds": (parquet(table(int(UTC.timestamp()) * 10**9 + np.arange(N) * 10**9, "t")), WHOLE),
    "unsigned milliseconds": (
        parquet(table((int(UTC.timestamp()) * 1000 + np.arange(N) * 1000).astype(np.uint64), "timestamp")),
        WHOLE,
    ),
    "ten a second, in nanoseconds": (
        parquet(table(pa.array(stamps(100), pa.timestamp("us")).cast(pa.timestamp("ns", "UTC")))),
        Right(N, "utc", FIRST + "Z", "2031-04-01T10:00:01.900000Z", AIR, step=0.1),
    ),
    "a stamp missing": (
        parquet(table(pa.array([None if k == 5 else s for k, s in enumerate(stamps())], pa.timestamp("us", "UTC")))),
        Right(N - 1, "utc", FIRST + "Z", LAST + "Z", AIR, codes=["BAD_STAMP"]),
    ),
    "a folder of parts": (
        _partitioned,
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"ias_kt": Samples(80.5, 89.5, n=10)}),
    ),
    "row groups without rows": (_empty_groups, WHOLE),
    "no rows at all": (parquet(table(typed("us")).slice(0, 0)), Refused(["no rows"])),
    "a stream in batches": (_stream, WHOLE),
    "Feather, compressed": (_feather_compressed, WHOLE),
    "Feather of version 1": (_feather_1_by_hand, Refused(["Feather"])),
    "text read as bytes": (
        parquet(table(typed("us", "UTC"), gear=pa.array([b"up"] * 10 + [b"down"] * 10))),
        Right(N, "utc", FIRST + "Z", LAST + "Z", AIR | {"gear": Samples("up", "down")}),
    ),
    "one row for each sample of a channel": (
        parquet(
            pa.table(
                {
                    "utc": pa.array([s for s in stamps() for _ in range(2)]),
                    "channel": ["ias_kt", "rpm"] * N,
                    "value": np.column_stack([IAS, RPM]).ravel(),
                }
            )
        ),
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"ias_kt": AIR["ias_kt"], "rpm": AIR["rpm"]}),
    ),
    "a start in the table's metadata": (
        parquet(
            table(np.arange(N, dtype=float), "time_s").replace_schema_metadata({"start_time": "2031-04-01T10:00:00Z"})
        ),
        WHOLE,
    ),
    "units in the table's metadata": (
        parquet(
            pa.table({"utc": typed("us"), "ias": IAS}).replace_schema_metadata({"units": json.dumps({"ias": "kt"})})
        ),
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"ias": AIR["ias_kt"]}),
    ),
    "half and single precision": (
        parquet(
            pa.table(
                {
                    "utc": typed("us"),
                    "ias_kt": IAS.astype(np.float16),
                    "alt_ft": (1000.1 + np.arange(N)).astype(np.float32),
                }
            )
        ),
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"ias_kt": AIR["ias_kt"], "alt_ft": Samples(1000.1, 1019.1, 0, "ft")}),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_columnar(name: str, tmp_path: Path) -> None:
    make, right = CASES[name]
    assert differences(make(tmp_path), right) == []
