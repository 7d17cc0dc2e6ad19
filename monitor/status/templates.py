"""The page templates: Jinja2, everything escaped unless it is our own markup."""

from __future__ import annotations

from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined

_ENVIRONMENT: Final = Environment(
    loader=PackageLoader("monitor.status", "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)


def render(name: str, **values: Any) -> str:
    """Return a template filled with values."""
    return _ENVIRONMENT.get_template(name).render(**values)
