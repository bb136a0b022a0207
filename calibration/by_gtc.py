"""GTC, the metrologists' library, loaded late and without what it never needs here."""

import importlib.util
import sys
from functools import cache
from typing import Any


@cache
def gtc() -> Any:
    """Get the library. The first call takes about half a second.

    One of its functions, which nothing here calls, solves by scipy.optimize; that package and all that it brings along are
    24 MiB and more than half of the import. They come when somebody asks for one of its names.
    """
    import scipy

    name = "scipy.optimize"
    if name not in sys.modules:
        spec = importlib.util.find_spec(name)
        if spec is not None and spec.loader is not None:
            spec.loader = importlib.util.LazyLoader(spec.loader)
            module = importlib.util.module_from_spec(spec)
            sys.modules[name] = module
            spec.loader.exec_module(module)
            scipy.optimize = module  # or ``from scipy import optimize`` would look for it, and so load it
    import GTC

    return GTC
