"""HTML of a template, with everything escaped that people wrote."""

from functools import cache
from pathlib import Path

import jinja2


@cache
def _environment() -> jinja2.Environment:
    loader = jinja2.FileSystemLoader(Path(__file__).parent / "templates")
    return jinja2.Environment(loader=loader, autoescape=True, undefined=jinja2.StrictUndefined)


def rendered(template: str, **values: object) -> str:
    """Return the page that a template makes of some values."""
    return _environment().get_template(template).render(values)
