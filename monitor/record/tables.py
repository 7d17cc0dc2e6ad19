"""sqlite-utils without pandas.

Where pandas is installed, sqlite-utils takes it along for data frames that nobody asks for here, a sixth of a second of
each start. So it is imported in one place, as if there were none.
"""

from __future__ import annotations

import sys

_known = "pandas" in sys.modules
if not _known:
    sys.modules["pandas"] = None  # type: ignore[assignment]
try:
    from sqlite_utils import Database, Migrations
finally:
    if not _known:
        del sys.modules["pandas"]

__all__ = ["Database", "Migrations"]
