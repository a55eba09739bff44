"""`retune help TOPIC`: the pages of `retune/docs`, shown in a terminal."""

from __future__ import annotations

import argparse
import difflib
import re
from importlib import resources
from typing import Any

from retune.carriers.errors import UsageError
from retune.faces import apipage
from retune.faces.show import console

COMMANDS_TOPIC = "commands"
"""This page is made from the command line itself."""
WORDINGS = "(The list is printed here by `retune help rules`.)\n"
WIDEST = 96
"""A line longer than this is hard to read."""
LINK = re.compile(r"\[([^\]]*)\]\([^)]*\)")
SHELL = re.compile(r"^```sh\n.*?^```$", re.MULTILINE | re.DOTALL)
GROUPS = {
    "Begin": ("first-lesson", "stems", "mixes", "your-sequencer", "corpus", "troubleshooting"),
    "Look up": ("rules", "song-file", "commands", "python", "workbench", "exports", "batch"),
    "Understand": ("harmony", "numbers", "wrong-hearing", "blind-tests", "glossary"),
    "Care": ("rights", "security"),
    "Take part": ("decisions",),
}
"""Every page, in the order in which somebody wants it; the site has it too."""
DOCS = resources.files("retune").joinpath("docs")


def topics() -> dict[str, str]:
    """Every topic and its heading, in alphabetical order."""
    found = {
        page.name.removesuffix(".md"): _heading(page.read_text(encoding="utf-8"))
        for page in DOCS.iterdir()
        if page.name.endswith(".md")
    }
    found[COMMANDS_TOPIC] = "Commands: every command with its options"
    found[apipage.TOPIC] = apipage.TITLE
    return dict(sorted(found.items()))


def _heading(text: str) -> str:
    return text.split("\n", 1)[0].strip("# ")


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
    if name == COMMANDS_TOPIC:
        return _commands_text()
    if name == apipage.TOPIC:
        return apipage.api_text()
    text = DOCS.joinpath(f"{name}.md").read_text(encoding="utf-8")
    return text.replace(WORDINGS, _wordings(), 1) if name == "rules" else text


def _wordings() -> str:
    """The synonyms of rules, from their data."""
    from retune.pipeline.rule_lines import wordings

    return "".join(f"- **{word}**: {', '.join(others)}\n" for word, others in wordings().items())


def _commands_text() -> str:
    """Every command with its example and its options, in Markdown."""
    from retune.faces.cli import COMMANDS, build_parser

    parts = ["# Commands: every command with its options\n"]
    for name, (about, example, _) in COMMANDS.items():
        parts.append(f"\n## retune {name}\n\n{about[:1].upper()}{about[1:]}.\n")
        parts.append(f"\n```sh\n{example}\n```\n\n")
        for words, meaning in _options(build_parser(), name):
            parts.append(f"- `{words}`: {meaning}\n")
    return "".join(parts)


def _options(parser: Any, command: str) -> list[tuple[str, str]]:
    """Names and meaning of every argument of a command."""
    commands = next(a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
    found = []
    for action in commands.choices[command]._actions:
        if "--help" in action.option_strings:
            continue
        value = action.metavar or (action.dest.upper() if action.nargs != 0 else "")
        words = [*action.option_strings[-1:], *([str(value)] if value else [])]
        found.append((" ".join(words), str(action.help or "")))
    return found


def show_topic(topic: str | None) -> int:
    """Print a page, or the list of pages."""
    text = _listed() if topic is None else topic_text(topic)
    from rich.markdown import Markdown

    width = min(console().width, WIDEST)
    console(width=width).print(Markdown(_for_terminal(text, width=width), hyperlinks=False))
    return 0


def _listed() -> str:
    """The pages by what they are for."""
    titles = topics()
    parts = ["Pages of `retune help TOPIC`. Every command has `--help` too.\n"]
    for group, names in GROUPS.items():
        lines = (f"- **{name}**: {_without(name, titles[name])}" for name in names)
        parts.append(f"\n{group}\n\n" + "\n".join(lines) + "\n")
    return "".join(parts)


def _without(name: str, title: str) -> str:
    """A heading without the topic that it begins with."""
    first, colon, rest = title.partition(": ")
    return rest if colon and first.lower().replace(" ", "-") == name else title


def _for_terminal(text: str, *, width: int) -> str:
    """A page without addresses, and its long commands broken so that they still run when copied."""
    plain = LINK.sub(r"\1", text)
    return SHELL.sub(
        lambda found: "\n".join(_continued(line, width - 4) for line in found[0].split("\n")), plain
    )


def _continued(line: str, width: int) -> str:
    """A command in lines of at most `width` where its words allow it, "\\" at the end of each."""
    rows = [""]
    for word in re.findall(r"\s*(?:\"[^\"]*\"|'[^']*'|\S)+", line):
        if rows[-1] and len(rows[-1]) + len(word) > width:
            rows.append("  ")
            word = word.lstrip()
        rows[-1] += word
    return " \\\n".join(rows)
