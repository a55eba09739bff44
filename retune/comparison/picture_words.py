"""The words of a picture: chord names, facts of notes, and the alternative text."""

from __future__ import annotations

from collections.abc import Sequence

from retune.carriers.barlines import meter_words, tempo_words
from retune.carriers.changes import Plan
from retune.carriers.heard import SECOND_VOICE, Analysis, Bars, Chord, Note, Over, Section
from retune.carriers.text import counted, pretty, pretty_chord, pretty_numeral
from retune.comparison.endings import PhraseEnding
from retune.comparison.picture_time import bars_sung
from retune.song.bartime import bars_of
from retune.theory.chordnames import chord_name as lead_sheet_name

# As first-year textbooks abbreviate them: common practice, no source.
CADENCES_IN_SHORT = {
    "perfect authentic": "PAC",
    "imperfect authentic": "IAC",
    "half": "HC",
    "phrygian half": "PHC",
    "plagal": "PC",
    "deceptive": "DC",
}

# What stands at the head of a note in doubt, and what the key says of it.
DOUBT_SIGNS = {"?": "note in doubt", "2?": SECOND_VOICE}


def doubt_sign(note: Note) -> str:
    """The sign of a note in doubt."""
    return "2?" if note.doubt == SECOND_VOICE else "?"


def section_names(sections: Sequence[Section]) -> list[str]:
    """The names of sections, counted where one comes again: "verse 1", "chorus", "verse 2"."""
    names = [section.name for section in sections]
    return [
        f"{name} {names[: k + 1].count(name)}" if names.count(name) > 1 else name
        for k, name in enumerate(names)
    ]


def chord_name(chord: Chord) -> str:
    """The chord as a lead sheet writes it ("B♭/D", "Cm7"), "N.C." for none."""
    return pretty_chord(lead_sheet_name(chord))


def roman_shown(chord: Chord) -> str:
    """The numeral with real signs: "viio7" as "vii°7", "bVII" as "♭VII"."""
    return pretty_numeral(chord.roman) if chord.root_pc >= 0 else ""


def state_words(state: str | None) -> str:
    """How a phrase ends, in words; None says that it is not known."""
    return state or "ending unknown"


def cadence_words(cadence: str | None) -> str:
    """ "half cadence", "Phrygian half cadence"; "" where there is none."""
    if not cadence or cadence == "none":
        return ""
    return f"{cadence} cadence".replace("phrygian", "Phrygian")


def degree_words(name: str | None, degree: str | None) -> str:
    """ "C5 (degree 2)"; the name alone without a degree."""
    shown = pretty(name or "a note")
    return f"{shown} (degree {pretty(degree)})" if degree else shown


def note_words(note: Note, ending: PhraseEnding | None, *, moved_to: str, quiz: bool) -> str:
    """One sentence about a note, for the line below the picture."""
    parts = [f"“{note.lyric}”"] if note.lyric and note.lyric != "_" else []
    parts.append(pretty(note.name))
    if note.degree:
        parts.append(f"degree {pretty(note.degree)}")
    if note.bar is not None:
        parts.append("pickup" if note.bar == 0 else f"bar {note.bar}")
    if note.over is None and note.chord is not None and note.chord.root_pc >= 0:
        parts.append(_over_chord(note.chord))
        if note.chord_role:
            parts.append(note.chord_role)
    words = ", ".join(parts)
    if note.over is None and note.stability is not None and not quiz:
        words += f"; instability {1 - note.stability:.2f} = 1 − {note.stability:.2f} stability"
    for over in note.over or ():
        words += f"; {_over_words(over, quiz=quiz)}"
    if ending is not None and not quiz:
        closes = filter(None, (state_words(ending.state), cadence_words(ending.phrase.cadence)))
        words += f"; phrase {ending.number} ends here: {', '.join(closes)}"
    if moved_to:
        words += f"; the variant moves it to {moved_to}"
    elif ending is not None and ending.is_changed and not quiz:
        words += f"; in the variant {over_words(ending)}"
    if ending is not None and ending.words_after and not quiz:
        words += f": {ending.words_after}"
    if note.is_doubtful:
        words += f" (in doubt: {note.doubt_words})"
    return words


def _over_chord(chord: Chord) -> str:
    roman, name = roman_shown(chord), chord_name(chord)
    return f"over {roman} ({name})" if roman else f"over {name}"


def _over_words(over: Over, *, quiz: bool) -> str:
    """A note over one of its chords: its role, and what its tension is the sum of."""
    words = _over_chord(over.chord)
    if over.role:
        words += f", {over.figure} {over.role}" if over.figure else f", {over.role}"
    if over.tension is None or quiz:
        return words
    terms = " + ".join(f"{number} {text}" for text, number in over.terms if number)
    return f"{words}, tension {over.tension}" + (f" = {terms}" if terms else "")


def alternative_text(
    analysis: Analysis,
    endings: Sequence[PhraseEnding],
    plan: Plan | None,
    *,
    variant_name: str,
    quiz: bool = False,
    phrase: int | None = None,
) -> tuple[str, str]:
    """Title and description of the picture, of the song or of one `phrase` alone: the story in
    order of time, the result last."""
    n_bars = bars_sung(analysis)
    length = f"{n_bars} bars" if n_bars else f"{analysis.duration_s:.0f} seconds"
    lanes = "one lane a scale degree" if analysis.key else "one lane a semitone"
    title = f"{analysis.title}: the melody over {length}, {lanes}"
    sentences = [_facts(analysis, len(endings))]
    if phrase is not None:
        title, sentences = f"{analysis.title}: phrase {phrase}, {lanes}", []
    bars = analysis.bars
    sentences += [_end_sentence(e, bars, quiz=quiz) for e in endings if e.note is not None]
    if plan is not None and not quiz:
        sentences += _variant_sentences(endings, plan, variant_name)
    return title, " ".join(sentences)


def _facts(analysis: Analysis, n_phrases: int) -> str:
    facts = [pretty(str(span.key)) for span in analysis.keys] or ["no key found"]
    words = [" then ".join(facts)]
    if len(analysis.bars.downbeats_s) > 1:
        words += [meter_words(analysis.bars), tempo_words(analysis.bars)]
    words.append(counted(n_phrases, "phrase"))
    if analysis.sections:
        words.append("sections " + ", ".join(section_names(analysis.sections)))
    return ", ".join(words) + "."


def _end_sentence(ending: PhraseEnding, bars: Bars, *, quiz: bool) -> str:
    note = ending.note
    assert note is not None
    alike = f" ({ending.phrase.alike})" if ending.phrase.alike else ""
    words = f"Phrase {ending.number}{alike} ends"
    where = bars_of(note, bars)
    at = f" in {where[0].lower()}{where[1:]}"
    words += at if note.bar is not None else f" at {note.end_s:.1f} seconds"
    words += f" on degree {pretty(ending.degree)}" if ending.degree else f" on {pretty(note.name)}"
    if ending.chord is not None and ending.chord.root_pc >= 0:
        words += f" over {roman_shown(ending.chord) or chord_name(ending.chord)}"
    if quiz or ending.state is None:
        return words + "."
    closes = filter(None, (ending.state, cadence_words(ending.phrase.cadence)))
    return f"{words}: {', '.join(closes)}."


def _variant_sentences(endings: Sequence[PhraseEnding], plan: Plan, variant_name: str) -> list[str]:
    moved = [ending for ending in endings if ending.is_moved]
    others = len(plan.edits) - len(moved)
    beneath = [ending for ending in endings if ending.is_changed and not ending.is_moved]
    count = counted(len(moved), "ending")
    if others:
        count += f" and {counted(others, 'other span')}"
    first = f"The variant {variant_name} moves {count}"
    moves = [
        f"phrase {ending.number} {_goes(ending, ending.note)}, {_now(ending)}"
        for ending in moved
        if ending.note is not None
    ]
    moves += [f"phrase {e.number} keeps its note {over_words(e)}, {_now(e)}" for e in beneath]
    return [f"{first}: " + "; ".join(moves) + "."] if moves else [first + "."]


def _goes(ending: PhraseEnding, note: Note) -> str:
    """ "from C4, degree 2, to B♭3, degree 1", or the note alone that moves in time alone."""
    was = degree_words(note.name, ending.degree)
    if ending.edit is not None and not ending.edit.shift_cents:
        return f"keeps {was}"
    return f"from {was} to {degree_words(ending.name_after, ending.degree_after)}"


def over_words(ending: PhraseEnding) -> str:
    """ "over I": what an ending stands over in the variant."""
    chord = ending.chord_after
    if chord is None:
        return "over a new sonority"
    return f"over {roman_shown(chord) or chord_name(chord)}"


def _now(ending: PhraseEnding) -> str:
    words = ending.words_after
    plain = ("still", "moved", "over", "later", "earlier", "held", "shorter")
    return words if words.startswith(plain) else f"now {words}"
