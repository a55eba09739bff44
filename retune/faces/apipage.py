"""The page of every public name of Python, made from signatures and docstrings."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator
from typing import Any

import retune

TOPIC = "python"
TITLE = "Python: every public name"
_INTRO = """\
Give `import retune` a song file or a recording; what comes back is typed, frozen, and shown as
tables, pictures and sounds where a notebook can show them. Whatever is not on this page may change
with any version.

"""
_SHOWN_METHODS = ("OpenSong", "PageInput", "Picture", "Sound")
_SECTION = re.compile(r"^(\w+)\n-{3,}\n", re.MULTILINE)
_ITEM = re.compile(r"^(\S[^\n]*)\n((?: +[^\n]*\n|\n(?= ))*)", re.MULTILINE)


def api_text() -> str:
    """The page, in Markdown."""
    example = inspect.cleandoc(retune.__doc__ or "").split("\n\n")[1]
    code = inspect.cleandoc(example)
    parts = [f"# {TITLE}\n\n{_INTRO}```python\nimport retune\n\n{code}\n```\n"]
    for name in sorted(retune.__all__, key=lambda word: (word[0].isupper(), word.lower())):
        value = getattr(retune, name)
        parts.append(_class(name, value) if inspect.isclass(value) else _function(name, value))
    return "".join(parts)


def _function(name: str, value: Any) -> str:
    return f"\n## retune.{name}\n\n{_signature(name, value)}{_described(value)}"


def _class(name: str, value: type) -> str:
    text = f"\n## retune.{name}\n\n{_described(value)}"
    if name in _SHOWN_METHODS:
        for method, member in _members(value):
            if isinstance(member, property):
                text += f"\n### {name}.{method}\n\n{_described(member)}"
            else:
                text += f"\n### {name}.{method}\n\n{_signature(method, member)}{_described(member)}"
    return text


def _members(value: type) -> Iterator[tuple[str, Any]]:
    for method, member in vars(value).items():
        is_shown = isinstance(member, property) or inspect.isfunction(member)
        if is_shown and not method.startswith("_") and inspect.getdoc(member):
            yield method, member


def _signature(name: str, value: Any) -> str:
    """The call, an argument a line where one line would be long."""
    found = inspect.signature(value)
    parts = [part for part in found.parameters.values() if part.name != "self"]
    said = [_argument(part) for part in parts]
    keywords = [part.kind is inspect.Parameter.KEYWORD_ONLY for part in parts]
    if any(keywords):
        said.insert(keywords.index(True), "*")
    back = str(found.return_annotation).replace("'", "")
    line = f"{name}({', '.join(said)}) -> {back}"
    if len(line) > 88:
        line = f"{name}(\n" + "".join(f"    {part},\n" for part in said) + f") -> {back}"
    return f"```text\n{line}\n```\n\n"


def _argument(part: inspect.Parameter) -> str:
    stars = "**" if part.kind is part.VAR_KEYWORD else ""
    default = part.default
    text = f"{stars}{part.name}: {part.annotation}"
    if default is part.empty:
        return text
    return f"{text} = {default.__name__ if inspect.isfunction(default) else repr(default)}"


def _described(value: Any) -> str:
    """A docstring as Markdown: its sections as bold words, what they list as items."""
    text = (inspect.getdoc(value) or "").strip() + "\n"
    head, *sections = _SECTION.split(text)
    parts = [head.strip() + "\n"]
    for title, body in zip(sections[::2], sections[1::2], strict=True):
        parts.append(f"\n**{title}**\n\n")
        for item, about in _ITEM.findall(body + "\n"):
            words = " ".join(about.split())
            parts.append(f"- `{item}`{': ' + words if words else ''}\n")
    return re.sub(
        r"^>>> .*(?:\n.+)*", lambda m: f"```text\n{m[0]}\n```", "".join(parts), flags=re.M
    )
