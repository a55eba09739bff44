"""Words and signs for people: real accidentals and minus signs, safe file names."""

from __future__ import annotations

import re
import unicodedata

FROM_MIX = "from a full mix: approximate"
"""Said of everything that was heard or moved inside a finished mix."""

_FLAT_SHARP = re.compile(
    r"(?<![A-Za-z])(?:([A-G])([b#]{1,2})(?=[^a-z]|m|maj|min|dim|aug|sus|add|\Z)|([b#]{1,2})(?=[1-7IV]|(?!v[^io]|v\Z)[iv]+o?(?![A-Za-z])))"
)  # "bv" is backing vocals sooner than a minor chord on the flat fifth degree


def _signs(marks: str) -> str:
    return marks.replace("b", "♭").replace("#", "♯")


def pretty(text: str) -> str:
    """ASCII accidentals as real signs: "Bb4" to "B♭4", "b7" to "♭7", "bVII" to "♭VII".

    >>> pretty("Bb4 over bVII, degree #4, a bass in Ebm7/Bb")
    'B♭4 over ♭VII, degree ♯4, a bass in E♭m7/B♭'
    >>> pretty("bvii, #ivo7, but bis, bird and bib")
    '♭vii, ♯ivo7, but bis, bird and bib'
    >>> pretty("D4 of bv1, bv and bvi")
    'D4 of bv1, bv and ♭vi'
    """
    return _FLAT_SHARP.sub(
        lambda m: m[1] + _signs(m[2]) if m[1] else _signs(m[3]),
        text,
    )


def pretty_chord(name: str) -> str:
    """A chord name with real signs: "F7b9/Ab" to "F7♭9/A♭", "Adim7" to "A°7"."""
    return _signs(name).replace("dim", "°")


def pretty_numeral(numeral: str) -> str:
    """A Roman numeral with real signs.

    >>> pretty_numeral("viio7/ii"), pretty_numeral("bVII"), pretty_numeral("IVb7")
    ('vii°7/ii', '♭VII', 'IV♭7')
    """
    return re.sub(r"(?<=[IViv])o", "°", _signs(numeral))


def tempo_text(bpm: float) -> str:
    """Beats a minute to a tenth, as everything that is shown rounds them.

    >>> tempo_text(92.0), tempo_text(119.48)
    ('92', '119.5')
    """
    return f"{round(bpm, 1):g}"


NOT_SURE = 0.5
"""An estimate less sure than this is called no more than a guess."""


def estimated_text(confidence: float) -> str:
    """How sure an estimate is, in tenths; none is called certain.

    >>> estimated_text(0.72), estimated_text(0.99), estimated_text(0.31), estimated_text(0.02)
    ('estimated, 7 of 10 sure', 'estimated, 9 of 10 sure', 'estimated, not sure: 3 of 10', \
'estimated, not sure: less than 1 of 10')
    """
    tenths = min(9, round(10 * confidence)) if confidence >= 0.05 else 0
    if confidence >= NOT_SURE:
        return f"estimated, {tenths} of 10 sure"
    return f"estimated, not sure: {tenths or 'less than 1'} of 10"


def counted(number: int, word: str) -> str:
    """How many of something, the word in the singular for one.

    >>> counted(1, "bar"), counted(24, "bar")
    ('1 bar', '24 bars')
    """
    return f"{number} {word}{'' if number == 1 else 's'}"


def cut_short(text: str, most: int = 60) -> str:
    """`text`, its end cut off where it has more than `most` characters.

    >>> cut_short("a" * 9, 8), cut_short("a" * 8, 8)
    ('aaaaa...', 'aaaaaaaa')
    """
    return text if len(text) <= most else text[: most - 3] + "..."


def middle_cut(text: str, most: int) -> str:
    """`text`, its middle cut out where it has more than `most` characters: a message begins with
    where and ends with what to do.

    >>> middle_cut("abcdefghij", 9), middle_cut("abc", 9)
    ('abc...hij', 'abc')
    """
    if len(text) <= most:
        return text
    half = (most - 3) // 2
    return f"{text[:half]}...{text[-half:]}"


_JOINERS = "\u200c\u200d"  # they join letters and emoji, and draw nothing of their own


def printable(text: str) -> str:
    """`text` on one line, fit for a terminal: "?" for each character that steers instead of shows
    (escape sequences, reversed direction, bytes of a file name that are no UTF-8).

    >>> printable("a\\tb\\x1b[31m"), printable("שלום 🏮")
    ('a b?[31m', 'שלום 🏮')
    """
    line = " ".join(text.split())
    if line.isprintable():
        return line
    return "".join(c if c.isprintable() or c in _JOINERS else "?" for c in line)


_NOT_IN_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def for_xml(text: str) -> str:
    """`text` with U+FFFD for each character that no XML document may hold, coded or not (XML 1.0,
    production 2: controls, halves of pairs, U+FFFE and U+FFFF).

    >>> for_xml("a\\x01b\\uffffc")
    'a\ufffdb\ufffdc'
    """
    return _NOT_IN_XML.sub("\ufffd", text)


def file_stem(name: str, *, fallback: str = "song") -> str:
    """A name that is safe as a file name anywhere: letters without accents, digits, "-" and "_".

    >>> file_stem("Lantern Song (take 2)"), file_stem("Über die Brücke")
    ('Lantern-Song-take-2', 'Uber-die-Brucke')
    """
    plain = "".join(c for c in unicodedata.normalize("NFKD", name) if not unicodedata.combining(c))
    cleaned = re.sub(r"[^A-Za-z0-9_-]+", "-", plain).strip("-")[:80]
    return f"{cleaned}-{fallback}" if _DEVICE.match(cleaned) else cleaned or fallback


def own_file_stem(name: str) -> str:
    """`file_stem`, marked by a few digits of its SHA-256 where letters of `name` were lost, so
    that two songs do not share one file name because no letter of theirs is a Latin one.

    >>> own_file_stem("Lantern Song (take 2)"), own_file_stem("灯笼歌")
    ('Lantern-Song-take-2', 'song-007a22')
    """
    import hashlib  # of which `--help` has no need

    letters = [c for c in unicodedata.normalize("NFKD", name) if c.isalnum()]
    stem = file_stem(name)
    if all(c.isascii() for c in letters) and len(name) <= 80:
        return stem
    digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()
    return f"{stem[:73]}-{digest[:6]}"


# Microsoft, "Naming Files, Paths, and Namespaces": with any ending, in capitals or not.
_DEVICE = re.compile(
    r"(?:con|prn|aux|nul|(?:com|lpt)[\d\u00b9\u00b2\u00b3]|conin\$|conout\$) *(?:\.|$)", re.I
)


def lost_on_windows(name: str) -> str:
    """Why Windows would make no file or folder of this name, or one of another name, in words that
    follow it; "" for a good one.

    >>> lost_on_windows("aux.wav")
    'is a name that Windows keeps for a device'
    """
    if _DEVICE.match(name.rstrip(" .")):
        return "is a name that Windows keeps for a device"
    if name not in (".", "..") and name != name.rstrip(" ."):
        return "ends in a space or a full stop, which Windows leaves out"
    return ""
