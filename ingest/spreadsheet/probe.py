"""Opens every sheet of a workbook, in a process of its own that may not take much memory, and says nothing.

One damaged cell name can ask the library for a table of seventeen thousand million cells, and
where it cannot have them it ends the process that called it. So a short-lived process goes first:
`python probe.py FILE` ends with 0, with 1 when the library refuses the file, or is killed. It uses
nothing of this package, to start quickly.
"""

from __future__ import annotations

import importlib
import sys

from python_calamine import CalamineError, CalamineWorkbook

MOST_BYTES = 4 << 30  # address space: the largest sheet allowed takes about 2.4 GB


def limit_memory() -> None:
    """Hold this process to MOST_BYTES, on systems that can."""
    try:
        resource = importlib.import_module("resource")
    except ImportError:
        return
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def main(path: str) -> int:
    """0 when all sheets could be opened, 1 when the library refused the file."""
    limit_memory()
    try:
        with CalamineWorkbook.from_path(path) as workbook:
            for title in workbook.sheet_names:
                workbook.get_sheet_by_name(title)
    except (CalamineError, OSError, ValueError, OverflowError, MemoryError):
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
