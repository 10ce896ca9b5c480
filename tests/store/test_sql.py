"""SQL over the programme: what it answers, and that it reaches nothing else."""

from __future__ import annotations

import shutil
import threading
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

from trimshot.shared.errors import ConditionError, StoreError
from trimshot.store import sql as sql_module
from trimshot.store.programme import Programme, create_programme
from trimshot.store.units import UNIT_FUNCTIONS


@pytest.fixture
def store(template: Path, tmp_path: Path) -> Programme:
    """In a folder whose name would like to be SQL."""
    return Programme(Path(shutil.copytree(template, tmp_path / "p '; DROP TABLE sortie; --")))


def frames(store: Programme) -> pd.DataFrame:
    files = sorted(store.folder.glob("sorties/*/frame.parquet"))
    return pd.concat([pq.read_table(file).to_pandas() for file in files], ignore_index=True)


def test_samples_are_all_frames_with_the_sortie_beside(store: Programme) -> None:
    got = store.sql(
        "SELECT sortie, count(*) AS n, sum(calibrated_airspeed) AS v FROM samples GROUP BY sortie ORDER BY 1"
    )
    by_hand = frames(store).groupby("sortie", observed=True)["calibrated_airspeed"]
    assert got["n"].tolist() == by_hand.size().tolist()
    assert got["v"].tolist() == pytest.approx(by_hand.sum().tolist(), rel=1e-12)
    assert store.sql("SELECT count(engine_speed) AS n FROM samples WHERE sortie = 'B'")["n"].tolist() == [0]


@pytest.mark.parametrize("view", ["points", "events", "phases", "states", "findings", "channels"])
def test_a_view_and_the_method_tell_the_same_rows(store: Programme, view: str) -> None:
    method = store.points(refused=True) if view == "points" else getattr(store, view)()
    got = store.sql(f"SELECT * FROM {view}")
    assert len(got) == len(method)
    shared = [name for name in ("sortie", "kind", "start_s", "start_utc", "value", "code", "low") if name in got]
    columns = [name for name in shared if name in method]
    assert columns
    pd.testing.assert_frame_equal(
        got[columns].sort_values(columns, ignore_index=True), method[columns].sort_values(columns, ignore_index=True)
    )


def test_unit_functions_go_both_ways(store: Programme) -> None:
    # exact: 1 kt = 1852 m / 3600 s; 0 degC = 273.15 K (BIPM SI brochure, 9th edition)
    row = store.sql("SELECT kt(95) AS v, in_kt(1852 / 3600) AS k, in_degc(273.15) AS t, in_ft(ft(5000)) AS h").iloc[0]
    assert row.tolist() == pytest.approx([95 * 1852 / 3600, 1.0, 0.0, 5000.0], abs=1e-9)
    both = ", ".join(f"abs(in_{name}({name}(7)) - 7)" for name in UNIT_FUNCTIONS)
    assert store.sql(f"SELECT greatest({both}) AS off")["off"][0] < 1e-9


@pytest.mark.parametrize(
    "statement",
    [
        "",
        "-- nothing",
        "SELECT 1; SELECT 2",
        "SELECT 1; DROP TABLE sortie",
        "DROP TABLE sortie",
        "DELETE FROM point",
        "UPDATE sortie SET aircraft = 'x'",
        "INSERT INTO point SELECT * FROM point",
        "WITH x AS (INSERT INTO point SELECT * FROM point RETURNING 1) SELECT * FROM x",
        "CREATE TABLE x AS SELECT 1",
        "CREATE TEMP TABLE x AS SELECT 1",
        "COPY point TO 'stolen.csv'",
        "EXPORT DATABASE 'stolen'",
        "ATTACH 'other.duckdb'",
        "DETACH programme",
        "USE memory",
        "SET enable_external_access = true",
        "RESET lock_configuration",
        "PRAGMA database_list",
        "CALL pragma_version()",
        "INSTALL httpfs",
        "LOAD httpfs",
        "EXPLAIN ANALYZE SELECT 1",
        "PREPARE x AS SELECT 1",
        "CHECKPOINT",
        "BEGIN",
        "VACUUM",
        "SELECT * FROM nowhere",
        "SELEC 1",
        "SELECT 1 +",
        "SELECT kt('x')",
        "SELECT \0",
    ],
)
def test_anything_but_one_select_is_refused_and_changes_nothing(store: Programme, statement: str) -> None:
    before = (store.folder / "programme.duckdb").read_bytes()
    with pytest.raises(ConditionError) as caught:
        store.sql(statement)
    assert "\n" not in caught.value.text()
    assert (store.folder / "programme.duckdb").read_bytes() == before
    assert {path.name for path in store.folder.iterdir()} <= {
        "programme.duckdb",
        "programme.lock",
        "settings.toml",
        "sorties",
        ".preparing",
    }


@pytest.mark.parametrize(
    "source",
    [
        "read_text('{secret}')",
        "read_blob('{secret}')",
        "read_csv('{secret}')",
        "'{secret}'",
        "read_parquet('{frame}')",
        "samples_in('{folder}')",
        "glob('{folder}/*')",
        "sniff_csv('{secret}')",
        "read_text('{here}/settings.toml')",
        "read_json('{here}/questions.json')",
        "query('SELECT * FROM read_text(''{secret}'')')",
        "query_table('{secret}')",
        "duckdb_secrets()",
    ],
)
def test_no_file_is_reachable(store: Programme, tmp_path: Path, source: str) -> None:
    secret = tmp_path / "secret.csv"
    secret.write_text("a,b\n1,hidden\n", encoding="utf-8")
    other = tmp_path / "other" / "sorties" / "A"
    other.mkdir(parents=True)
    (other / "frame.parquet").write_bytes((store.folder / "sorties" / "A" / "frame.parquet").read_bytes())
    (store.folder / "questions.json").write_text('{"hidden": 1}', encoding="utf-8")
    places = {"secret": secret, "frame": other / "frame.parquet", "folder": tmp_path / "other", "here": store.folder}
    told = {name: str(path).replace("'", "''") for name, path in places.items()}
    with pytest.raises(ConditionError):
        store.sql(f"SELECT * FROM {source.format(**told)}")


def test_python_variables_are_no_tables(store: Programme) -> None:
    hidden = pd.DataFrame({"a": [1]})
    assert len(hidden) == 1
    with pytest.raises(ConditionError, match="hidden"):
        store.sql("SELECT * FROM hidden")


def test_time_rows_and_memory_have_limits(store: Programme, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ConditionError, match=r"more than 0\.3 s"):
        store.sql("SELECT sum(a.range * b.range) FROM range(100000000) AS a, range(100000) AS b", time_limit_s=0.3)
    with pytest.raises(ConditionError, match="memory"):
        store.sql("SELECT list(range) FROM range(1000000000)")
    monkeypatch.setattr(sql_module, "MOST_ROWS", 1000)
    with pytest.raises(ConditionError, match="too many rows"):
        store.sql("SELECT * FROM samples")
    assert len(store.sql("SELECT * FROM samples LIMIT 1000")) == 1000


def test_an_empty_programme_answers(tmp_path: Path) -> None:
    empty = create_programme(tmp_path / "p")
    assert empty.sql("SELECT count(*) AS n FROM points")["n"].tolist() == [0]
    frame = empty.sql("SELECT sortie, start_s FROM points")
    assert len(frame) == 0
    assert list(frame.columns) == ["sortie", "start_s"]


def test_readers_in_the_same_process_wait_and_do_not_fail(store: Programme) -> None:
    """The catalog is attached to a second DuckDB meanwhile, which keeps every other opening in this process out."""
    failures: list[BaseException] = []
    stop = threading.Event()

    def read() -> None:
        while not stop.is_set():
            try:
                assert len(store.sorties()) == 2
            except BaseException as error:  # noqa: BLE001  whatever it is, the test tells it
                failures.append(error)
                return

    reader = threading.Thread(target=read)
    reader.start()
    for _ in range(5):
        assert len(store.sql("SELECT * FROM sorties")) == 2
    stop.set()
    reader.join()
    assert failures == []


def test_a_frame_that_is_gone_is_told(store: Programme) -> None:
    (store.folder / "sorties" / "A" / "frame.parquet").unlink()
    with pytest.raises(StoreError, match="rebuild"):
        store.sql("SELECT count(*) FROM samples")
