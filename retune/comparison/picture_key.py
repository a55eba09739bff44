"""The key at the foot of a picture: what each line and sign means."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field

from retune.comparison.picture_style import text_width
from retune.comparison.picture_words import DOUBT_SIGNS
from retune.comparison.svg import Pen

_LINE = 1.5  # height of one line of the key, in f


@dataclass(frozen=True)
class KeyEntry:
    """One entry: a sample and its word. `kind` is "line", "home", "sign" or "doubt", whose `css`
    is the sign itself."""

    words: str
    kind: str
    css: str = ""
    word_css: str = "sk"


@dataclass
class _Flow:
    """Puts entries side by side and breaks lines."""

    f: float
    width: float
    x: float = 0.0
    line: int = 0
    places: list[tuple[KeyEntry, float, int]] = field(default_factory=list)

    def add(self, entry: KeyEntry) -> None:
        wide = _width(entry, self.f)
        if self.x and self.x + wide - 1.05 * self.f > self.width - 0.4 * self.f:
            self.x, self.line = 0.0, self.line + 1
        self.places.append((entry, self.x, self.line))
        self.x += wide


def _width(entry: KeyEntry, f: float) -> float:
    return _sample(entry) * f + text_width(entry.words, 0.84 * f) + 1.05 * f


def _sample(entry: KeyEntry) -> float:
    """How wide a sample is, in f."""
    if entry.kind in ("sign", "doubt"):
        return 0.95 + 0.55 * (entry.kind == "doubt" and len(entry.css) > 1)
    return 2.1


def key_entries(
    *,
    variant_name: str | None,
    with_signs: bool,
    with_chords: bool,
    with_key: bool,
    doubts: Collection[str],
) -> list[KeyEntry]:
    """What the picture needs explained."""
    entries = [KeyEntry("original", "line", "body")]
    if variant_name is not None:
        entries.append(KeyEntry(f"variant “{variant_name}”", "line", "new", "sk v"))
    if with_signs:
        entries += [KeyEntry(state, "sign") for state in ("at rest", "partly at rest", "open")]
    if with_chords:
        word = "degree" if with_key else "note"
        entries.append(KeyEntry(f"{word} in the chord", "line", "lane"))
        entries.append(KeyEntry("not in it", "line", "lane off"))
    if with_key:
        entries.append(KeyEntry("tonic", "home"))
    return entries + [KeyEntry(DOUBT_SIGNS[sign], "doubt", sign) for sign in sorted(doubts)[::-1]]


def key_height(entries: list[KeyEntry], *, f: float, width: float) -> float:
    """Height of the key in a picture of this width."""
    return (_placed(entries, f, width).line + 1) * _LINE * f


def _placed(entries: list[KeyEntry], f: float, width: float) -> _Flow:
    flow = _Flow(f, width)
    for entry in entries:
        flow.add(entry)
    return flow


def draw_key(pen: Pen, entries: list[KeyEntry], *, f: float, width: float, y: float) -> None:
    """The key with its first line at `y`."""
    for entry, left, line in _placed(entries, f, width).places:
        x, middle = 0.2 * f + left, y + line * _LINE * f
        if entry.kind == "sign":
            pen.ending(entry.words, x + 0.35 * f, middle, 0.3 * f)
            x += 0.95 * f
        elif entry.kind == "doubt":
            pen.text(x + 0.35 * f, middle + 0.34 * f, entry.css, "b", anchor="middle")
            x += _sample(entry) * f
        elif entry.kind == "home":
            pen.line(x, middle - 0.25 * f, x + 1.7 * f, middle - 0.25 * f, "hair")
            pen.line(x, middle + 0.25 * f, x + 1.7 * f, middle + 0.25 * f, "home")
            x += 2.1 * f
        else:
            pen.line(x, middle, x + 1.7 * f, middle, entry.css)
            x += 2.1 * f
        pen.text(x, middle + 0.34 * f, entry.words, entry.word_css)
