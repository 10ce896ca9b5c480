"""The written cases are what their writer makes, so that the right answers and the files belong together."""

from __future__ import annotations

from tests.casewriter.folders import FOLDER, made

REPACKED = (".h5", ".hdf5")  # another release of the HDF5 library may arrange the same content differently


def test_the_written_cases_are_the_writers() -> None:
    written = made()
    assert len(written) >= 70
    assert {folder.name for folder in FOLDER.iterdir()} == set(written)
    for name, files in written.items():
        assert {path.name for path in (FOLDER / name).iterdir()} == set(files)
        for file, content in files.items():
            if not file.endswith(REPACKED):
                assert (FOLDER / name / file).read_bytes() == content, f"{name}/{file}"
