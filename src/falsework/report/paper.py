"""What the pages have in common: templates, style sheet and the policy that keeps them to themselves."""

from __future__ import annotations

import base64
import hashlib
from importlib.resources import files
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from jinja2 import Environment


def page_file(name: str) -> str:
    """Text of a file of the room's ``page`` folder."""
    return (files("falsework.report") / "page" / name).read_text(encoding="utf-8")


def environment() -> Environment:
    """Templates that escape what they are given and fail on names they are not given."""
    import jinja2

    from falsework.report.names import named
    from falsework.wording import cautions

    made = jinja2.Environment(
        loader=jinja2.FunctionLoader(page_file),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    made.globals["RULES"] = cautions.RULES
    made.filters["named"] = named
    return made


def render(
    name: str,
    script: str = "",
    styles: tuple[str, ...] = ("order.css",),
    images_from: str = "data:",
    **context: Any,
) -> str:
    """The page of that template with style sheets of the room and, if given, one script; ``images_from``:
    where pictures may come from, as a content security policy says it."""
    style = "".join(page_file(each) for each in styles)
    template = environment().get_template(name)
    return template.render(style=style, script=script, policy=_policy(style, script, images_from), **context)


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")


def _policy(style: str, script: str, images_from: str) -> str:
    """Content security policy: pictures from there, this one style sheet and this one script."""
    scripts = f"'{_digest(script)}'" if script else "'none'"
    return (
        f"default-src 'none'; img-src {images_from}; style-src '{_digest(style)}'; script-src {scripts}; "
        "base-uri 'none'; form-action 'none'"
    )
