"""What all HTML pages share: templates, files of the package, the content security policy."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Sequence
from functools import cache
from importlib import resources

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from retune.carriers.text import pretty


@cache
def template(name: str) -> Template:
    """A template of the package. What is put into it is escaped unless it is `Markup`; the filter
    `pretty` writes real accidentals; a name that was not given is an error."""
    return _environment().get_template(name)


def filled(name: str, /, **values: object) -> Markup:
    """The template `name` with these values in it."""
    return Markup(template(name).render(values))  # escaped by the template


@cache
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("retune.comparison"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["pretty"] = pretty
    return made


def asset(name: str) -> str:
    """The text of a file that ships with the package."""
    return resources.files("retune.comparison").joinpath("assets", name).read_text(encoding="utf-8")


_IMPORT = re.compile(r"^import [^;]*;\n", re.MULTILINE)
_EXPORT = re.compile(r"^export (?=async function|function|class|const|let)", re.MULTILINE)


def bundled(names: Sequence[str]) -> str:
    """Script modules of the package as one, for a page that may load nothing: in this order, with
    what they import from each other already there."""
    text = "\n".join(asset(name) for name in names)
    return _EXPORT.sub("", _IMPORT.sub("", text))


def content_policy(*, style: str, script: str | None = None, media: str = "") -> str:
    """A policy that allows this style and script, by their hashes, and nothing from elsewhere
    but sound from `media` (sources as the policy writes them)."""

    def allowed(text: str) -> str:
        digest = hashlib.sha256(text.encode("utf-8")).digest()
        return f"'sha256-{base64.b64encode(digest).decode()}'"

    # strict-dynamic: what the page's own script loads (its mixer, a data: address) may run too.
    scripts = f"script-src {allowed(script)} 'strict-dynamic'; " if script is not None else ""
    sounds = f"media-src {media}; " if media else ""
    return (
        f"default-src 'none'; {scripts}{sounds}style-src {allowed(style)}; "
        "font-src data:; img-src data:; base-uri 'none'; form-action 'none'"
    )
