"""Pages of our own templates, written to be printed.

Lives here: how a template of one folder becomes a file. Must not know what pages say.
"""

from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any


def write_page(path: Path, name: str, contents: Mapping[str, Any], filters: Mapping[str, Any]) -> None:
    """Write a page from its template `data/NAME/NAME.html` and style `NAME.css`; what users wrote is escaped.

    Parameters
    ----------
    path : Path
        File to write, UTF-8.
    name : str
        Folder and template.
    contents, filters : mapping
        What the template says, and functions by which it writes values.
    """
    import jinja2

    def own(file: str) -> str:
        return resources.files("planner").joinpath(f"data/{name}/{file}").read_text(encoding="utf-8")

    pages = jinja2.Environment(
        loader=jinja2.FunctionLoader(own), autoescape=True, undefined=jinja2.StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    pages.filters |= filters
    page = pages.get_template(f"{name}.html").render(style=own(f"{name}.css"), **contents)
    path.write_text(page, encoding="utf-8", newline="\n")
