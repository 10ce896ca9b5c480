"""Libraries that take long to load, loaded when a name in them is used for the first time.

`from ..shared.late import pandas as pd` stands for `import pandas as pd`, a third of a second that a question whose
answer needs no frame does without. What is evaluated on import (a base class, a type alias, a default) would load it.
"""

from __future__ import annotations

import importlib
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pandas
    import pyarrow.fs as arrow_files
    import pyarrow.parquet as parquet
    import tomlkit as tomlkit
else:

    class _Late(ModuleType):
        """A module's stand-in, with the module's own names."""

        def __getattr__(self, name: str) -> Any:
            found = getattr(importlib.import_module(self.__name__), name)
            setattr(self, name, found)  # asked once only
            return found

    pandas = _Late("pandas")
    arrow_files = _Late("pyarrow.fs")
    parquet = _Late("pyarrow.parquet")
    tomlkit = _Late("tomlkit")

__all__ = ["arrow_files", "pandas", "parquet", "tomlkit"]
