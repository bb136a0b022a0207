"""Templates → HTML. A template sees only what it is given; a name it was not given is an error, never a blank."""

from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from station.record.author import BY

HERE = Path(__file__).parents[1]
ENVIRONMENT = Environment(
    loader=FileSystemLoader(HERE / "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    auto_reload=False,  # an update that replaces files under a running station must not mix old code with new pages
)

ENVIRONMENT.globals["who"] = BY.get
"""Who looks at the page, for its header; a template calls it."""


def render(template: str, **values: Any) -> str:
    """Fill in a template of web/templates."""
    return ENVIRONMENT.get_template(template).render(**values)
