"""Build the documentation as a site: `python .ci/site.py OUT`. Strict: a broken link fails.

The pages are those of `retune help`, so that a terminal and a browser never say different things,
with DEVELOPERS.md and CHANGELOG.md beside them.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from retune.faces.topics import GROUPS, topic_text, topics

HOME = Path(__file__).resolve().parent.parent
TOPIC = re.compile(r"`retune help ([a-z][a-z-]*)`")
SETTINGS = """\
site_name: retune
site_description: Change how a song's phrases end, and hear the difference.
docs_dir: pages
site_dir: {out}
theme: {{name: readthedocs, highlightjs: false}}
markdown_extensions: [tables, fenced_code, toc]
use_directory_urls: false
validation:
  omitted_files: warn
  links: {{not_found: warn, anchors: warn, absolute_links: warn, unrecognized_links: warn}}
nav:
{nav}
"""


def pages(folder: Path) -> str:
    """Write every page into `folder` and return the navigation."""
    known = topics()
    listed = [name for names in GROUPS.values() for name in names]
    if sorted(listed) != sorted(known):
        raise SystemExit(f"pages in no group, or twice: {sorted({*known} ^ {*listed})}")
    for name in known:
        (folder / f"{name}.md").write_text(_linked(topic_text(name), known), encoding="utf-8")
    for path in (HOME / "retune" / "docs").glob("*.svg"):
        shutil.copy(path, folder)
    readme = (HOME / "README.md").read_text(encoding="utf-8")
    shutil.copytree(
        HOME / ".github", folder / "github", ignore=shutil.ignore_patterns("*.yml", "*.md")
    )
    (folder / "index.md").write_text(_from_top(readme, known), encoding="utf-8")
    for name in ("DEVELOPERS", "CHANGELOG"):
        text = (HOME / f"{name}.md").read_text(encoding="utf-8")
        (folder / f"{name}.md").write_text(_from_top(text, known), encoding="utf-8")
    groups = [
        f"  - {title}:\n" + "".join(f"      - {n}.md\n" for n in names)
        for title, names in GROUPS.items()
    ]
    return "  - index.md\n" + "".join(groups) + "      - DEVELOPERS.md\n      - CHANGELOG.md\n"


def _linked(text: str, known: dict[str, str]) -> str:
    """A page whose `retune help TOPIC` leads there."""
    return TOPIC.sub(lambda f: f"[{f[0]}]({f[1]}.md)" if f[1] in known else f[0], text)


def _from_top(text: str, known: dict[str, str]) -> str:
    """A file of the top folder, its links led to where the pages lie."""
    moved = (
        text.replace("](retune/docs/", "](")
        .replace("](.github/", "](github/")
        .replace("](retune/docs)", "](index.md)")
    )
    return _linked(moved.replace("](README.md", "](index.md"), known)


def main(out: Path) -> int:
    with tempfile.TemporaryDirectory() as name:
        room = Path(name)
        (room / "pages").mkdir()
        nav = pages(room / "pages")
        (room / "mkdocs.yml").write_text(
            SETTINGS.format(out=out.resolve(), nav=nav), encoding="utf-8"
        )
        command = [sys.executable, "-m", "mkdocs", "build", "--strict", "--clean"]
        return subprocess.run(
            [*command, "--config-file", str(room / "mkdocs.yml")], check=False
        ).returncode


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
