"""`retune help TOPIC`: the pages of `retune/docs`, shown in a terminal."""

from __future__ import annotations

import difflib
import sys
from importlib import resources

from retune.core.errors import UsageError

DOCS = resources.files("retune").joinpath("docs")


def topics() -> dict[str, str]:
    """Every topic and its first line without the sign of a heading, in alphabetical order."""
    pages = sorted((page for page in DOCS.iterdir() if page.name.endswith(".md")), key=str)
    return {
        page.name.removesuffix(".md"): page.read_text(encoding="utf-8")
        .split("\n", 1)[0]
        .strip("# ")
        for page in pages
    }


def topic_text(topic: str) -> str:
    """The page of a topic, in Markdown.

    Raises
    ------
    UsageError
        There is no such topic; says which there are.
    """
    known = topics()
    name = topic.strip().lower().replace(" ", "-").replace("_", "-")
    if name not in known:
        near = difflib.get_close_matches(name, list(known), n=1)
        hint = f'; did you mean "{near[0]}"?' if near else ""
        raise UsageError(f'no topic "{topic}": there are {", ".join(known)}{hint}')
    return DOCS.joinpath(f"{name}.md").read_text(encoding="utf-8")


def show_topic(topic: str | None) -> int:
    """Print a page, or the list of pages."""
    if topic is None:
        words = ["Topics of `retune help TOPIC`:", ""]
        words += [f"- **{name}**: {title}" for name, title in topics().items()]
        words += ["", "Every command has `--help` too."]
        text = "\n".join(words) + "\n"
    else:
        text = topic_text(topic)
    if sys.stdout.isatty():
        from rich.console import Console
        from rich.markdown import Markdown

        Console(width=min(Console().width, 96)).print(Markdown(text))
    else:
        sys.stdout.write(text)
    return 0
