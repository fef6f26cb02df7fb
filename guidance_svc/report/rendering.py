"""Pages from the templates beside this file. Needs jinja2 (extra `report`)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from guidance_svc.constants import CAUTION


class Plot(NamedTuple):
    """An SVG element and what stands above it."""

    title: str
    svg: str


def render(template: str, **values: Any) -> str:
    """A page as text. What the template does not mark as safe is escaped; a value that is missing is an error.

    Raises:
        ImportError: jinja2 is not installed.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("guidance_svc.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, keep_trailing_newline=True,
    )  # fmt: skip
    return environment.get_template(template).render(caution=CAUTION, **values)


def plots_page(title: str, plots: Sequence[Plot], above: str = "", below: str = "") -> str:
    """A self-contained page of plots.

    Args:
        plots: an empty title gets no heading.
        above, below: a table as text before the plots or after them; nothing where it is empty.

    Raises:
        ImportError: jinja2 is not installed.
    """
    return render("plots.html", title=title, plots=plots, above=above, below=below)


def svg_element(drawing: str) -> str:
    """A drawing that was saved as an SVG file, without what stands before its element."""
    return drawing[drawing.index("<svg") :]
