"""The one place that loads sqlite-utils."""

from station.common.spared import spared

# Pandas it takes in where it finds it, for values that nothing here writes: a second of every start.
with spared("pandas"):
    from sqlite_utils import Database

__all__ = ["Database"]
