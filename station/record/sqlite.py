"""The one place that loads sqlite-utils."""

from station.common.spared import spared

with spared(
    "pandas"
):  # which it takes in where it finds it, for values that nothing here writes: a second of every start
    from sqlite_utils import Database

__all__ = ["Database"]
