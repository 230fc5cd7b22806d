"""From values to HTML: one environment of templates, every value escaped, every missing one an error."""

import re
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape
from starlette.requests import Request
from starlette.responses import HTMLResponse

from collector.page.visitor import once_key
from collector.store.people.page_devices import Device

HERE = Path(__file__).parent


@cache
def templates() -> Environment:
    made = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["commands"] = commands
    return made


def commands(text: str) -> Markup:
    """A sentence of the command line: what it has between backticks is a command."""
    return Markup(re.sub("`([^`]+)`", r"<code>\1</code>", str(escape(text))))


def draw(request: Request, name: str, status: int = 200, **values: Any) -> HTMLResponse:
    """A whole page. who: the visitor's device, None where nobody is signed in; person: whose page it is, if it is."""
    who: Device | None = getattr(request.state, "device", None)
    text = (
        templates()
        .get_template(name)
        .render(**{"who": who, "person": None, "error": "", "once": once_key, "here": request.url.path, **values})
    )
    return HTMLResponse(text, status)
