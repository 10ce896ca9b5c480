"""A file is first read in a process of its own where a damaged one can crash the library, and the caller with it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

PROBE_S = 10.0  # for a small file, and then
PROBE_BYTES_PER_S = 5e6  # a twentieth of what a slow disk gives


def kills_its_reader(probe: Path, path: Path) -> bool:
    """True when `python probe path` is killed, or does not come to an end in time for the file's size.

    probe: a script that reads all the reader would, and ends with 0, or with 1 when the library refuses the file.
    """
    if not sys.executable:
        return False
    # -P: the script's folder holds modules of ours that are named like others
    command = [sys.executable, "-P", "-W", "ignore", str(probe), str(path)]
    try:
        limit = PROBE_S + path.stat().st_size / PROBE_BYTES_PER_S
        done = subprocess.run(command, capture_output=True, timeout=limit, check=False)
    except subprocess.TimeoutExpired:
        return True
    except OSError:  # no further process can be started here: go on without
        return False
    return done.returncode not in (0, 1, 2)


def words_of(error: BaseException) -> str:
    """What a library said of a file, in one line of at most 200 characters; the error's kind where it said nothing."""
    return (str(error).splitlines() or [type(error).__name__])[0][:200]
