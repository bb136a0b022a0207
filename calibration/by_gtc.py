"""GTC, the metrologists' library, loaded late and without scipy."""

import sys
from functools import cache
from importlib import import_module
from types import ModuleType
from typing import Any


class _Late(ModuleType):
    """Stands in for a module that is loaded once somebody asks for one of its names."""

    def __getattr__(self, name: str) -> Any:
        return getattr(import_module(self.__name__), name)


@cache
def gtc() -> Any:
    """Get the library; the first call imports it.

    It asks scipy for quantiles and a solver, which nothing here has it do (``student``), and scipy is four fifths of the
    import and eight megabytes.
    """
    if "scipy" in sys.modules:
        return import_module("GTC")
    sys.modules["scipy"] = scipy = ModuleType("scipy")
    vars(scipy).update({name: _Late(f"scipy.{name}") for name in ("special", "optimize")})
    try:
        return import_module("GTC")
    finally:
        del sys.modules["scipy"]
