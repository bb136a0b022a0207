"""GTC, the metrologists' library, loaded late and without what it never needs here."""

import importlib.util
import sys
from functools import cache
from typing import Any

LATE = (
    "scipy.optimize",
    "numpy.ctypeslib",
    "numpy.f2py",
    "numpy.ma",
    "numpy.polynomial",
    "numpy.random",
    "numpy.testing",
)
"""What comes when somebody asks for one of its names. One of GTC's functions, which nothing here calls, solves by the first;
scipy takes all of numpy's names into its own, and with them these. Together they are 39 MiB and four fifths of the import."""


@cache
def gtc() -> Any:
    """Get the library. The first call takes a quarter of a second."""
    import numpy  # noqa: F401
    import scipy  # noqa: F401

    for name in LATE:
        spec = None if name in sys.modules else importlib.util.find_spec(name)
        if spec is None or spec.loader is None:
            continue
        spec.loader = importlib.util.LazyLoader(spec.loader)
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
        package, _, last = name.rpartition(".")
        setattr(
            sys.modules[package], last, module
        )  # or "from package import name" would look for it, and so load it
    import GTC

    return GTC
