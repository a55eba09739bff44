"""What is said beside a key, bars and chords that were estimated; nothing where they were given."""

from __future__ import annotations

from retune.carriers.heard import SECOND_VOICE, Analysis, Key
from retune.carriers.text import estimated_text
from retune.theory.keys import spell_degree, tonic_pc

ESTIMATED = "estimated"


def key_told(analysis: Analysis) -> str:
    """ "estimated, 8 of 10 sure" of a key that was heard, "" of one that was given."""
    if analysis.key is None or analysis.key_source != ESTIMATED:
        return ""
    return estimated_text(analysis.key_confidence)


def bars_told(analysis: Analysis) -> str:
    """The same of tempo, meter and downbeats together."""
    bars = analysis.bars
    if len(bars.downbeats_s) < 2 or bars.source != ESTIMATED:
        return ""
    return estimated_text(bars.confidence)


def chords_told(analysis: Analysis) -> str:
    """The same of the chords, on average over the time that they sound."""
    rows = [(c.end_s - c.start_s, c.confidence) for c in analysis.chords if c.estimated]
    total_s = sum(length_s for length_s, _ in rows)
    if total_s <= 0:
        return ""
    return estimated_text(sum(length_s * sure for length_s, sure in rows) / total_s)


def what_is_estimated(analysis: Analysis) -> str:
    """What a file should say of what was heard in it: "key estimated, 8 of 10 sure; bars estimated,
    7 of 10 sure; a second voice sings along in phrase 4"; "" where all was given."""
    told = (
        ("key", key_told(analysis)),
        ("bars", bars_told(analysis)),
        ("chords", chords_told(analysis)),
    )
    said = [f"{what} {words}" for what, words in told if words]
    return "; ".join([*said, *filter(None, [second_voice_told(analysis)])])


def second_voice_told(analysis: Analysis) -> str:
    """ "a second voice sings along in phrases 1 and 4" of a melody heard in a mix; "" of others."""
    notes = analysis.melody.notes if analysis.melody else ()
    beside = [note for note in notes if note.doubt == SECOND_VOICE]
    if not beside:
        return ""
    numbers = sorted({note.phrase for note in beside if note.phrase is not None})
    if not numbers:
        return "a second voice sings along"
    *most, last = map(str, numbers)
    where = f"phrases {', '.join(most)} and {last}" if most else f"phrase {last}"
    return f"a second voice sings along in {where}"


def with_doubt(fact: str, told: str) -> str:
    """A fact with what is told of it in brackets, alone where nothing is."""
    return f"{fact} ({told})" if told else fact


def rival_keys(analysis: Analysis) -> tuple[tuple[str, Key], ...]:
    """Other keys that an estimated one may be, each with what it is beside it ("relative minor";
    "" for a farther one), the likeliest first and the relative key always among them."""
    key = analysis.key
    if key is None or analysis.key_source != ESTIMATED:
        return ()
    rivals = list(analysis.key_rivals)
    relative = _relative(key)
    if relative is not None and relative not in rivals:
        rivals.append(relative)
    return tuple((_relation(key, rival), rival) for rival in rivals)


def _relative(key: Key) -> Key | None:
    """The key of the other mode with the same notes."""
    if key.mode not in ("major", "minor"):
        return None
    is_major = key.mode == "major"
    return Key(spell_degree("6" if is_major else "3", key), "minor" if is_major else "major")


def _relation(key: Key, rival: Key) -> str:
    if rival == _relative(key):
        return f"relative {rival.mode}"
    return f"parallel {rival.mode}" if tonic_pc(rival) == tonic_pc(key) else ""
