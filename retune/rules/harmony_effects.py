"""What a plan does to the harmony: clashes, new sonorities, new roles, rests that come early.

What counts as each is common practice in teaching harmony, no source.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator

from retune.carriers.changes import Consequence
from retune.carriers.heard import Chord, Key, Note, StemAnalysis
from retune.rules.scene import Scene, judged_at, listed, role_words
from retune.song.bartime import bar_words
from retune.theory.chordnames import chord_name
from retune.theory.chords import is_no_chord, is_tonic_chord, with_bass
from retune.theory.keys import tonic_pc
from retune.theory.roles import how_it_ends, is_blue_over
from retune.theory.spelling import pitch_name, spell_pitch_class

_POSITIONS = {
    "root": "in root position",
    "third": "in first inversion",
    "fifth": "in second inversion",
    "seventh": "in third inversion",
}
_AFTER_S = 0.05
_PREPARED = ("pedal", "suspension", "retardation")


def clashes(scene: Scene) -> Iterator[Consequence]:
    """A non-chord tone a semitone from a chord tone, where the note or the band under it moved.

    Tones of the chord never clash, so the tritone inside a V7 does not; nor do pedals, and what is
    prepared and resolved, nor blue notes over the tonic's seventh. A bass clashes where it moved
    itself.
    """
    for stem in scene.analysis.stems.values():
        voice = "" if stem is scene.analysis.melody else f" of {stem.name}"
        for note in stem.notes:
            is_touched = stem.role != "bass" and scene.band.touches(judged_at(note))
            if scene.edit(stem, note) is None and not is_touched:
                continue
            midi, chord = scene.midi_after(stem, note), scene.chord_after(note)
            if chord is None or is_no_chord(chord) or chord.role_of(midi) is not None:
                continue
            if scene.roles.get((stem.name, note.index), (None, None))[1] in _PREPARED:
                continue
            key = scene.band.key_at(note.start_s)
            is_lifted = key != scene.analysis.key_at(note.start_s)
            stays = midi == note.midi_name or is_lifted
            if stays and _semitone_tones(note.midi_name, note.chord):
                continue
            if is_blue_over(midi, chord, key):
                continue
            sounds = f"{scene.name_after(stem, note)}{voice} sounds"
            for pitch_class, member in _semitone_tones(midi, chord):
                yield Consequence(
                    "clash",
                    note.start_s,
                    f"{scene.place(note)}: {sounds} a semitone from "
                    f"{_class_name(pitch_class, key, chord)}, the {member} of {_upper_name(chord)}",
                )


def blue_notes(scene: Scene) -> Iterator[Consequence]:
    """Notes moved onto a blue third or fifth over the tonic's dominant seventh: what they are there
    in place of a clash."""
    for stem in scene.voices:
        voice = "" if stem is scene.analysis.melody else f" of {stem.name}"
        for note in scene.moved(stem):
            midi, chord = scene.midi_after(stem, note), scene.chord_after(note)
            key = scene.band.key_at(note.start_s)
            if chord is None or key is None or not is_blue_over(midi, chord, key):
                continue
            if scene.roles[stem.name, note.index][1] != "blue":
                continue  # a passing or a neighbour note, told as that
            member = "third" if (midi - tonic_pc(key)) % 12 == 3 else "fifth"
            yield Consequence(
                "role",
                note.start_s,
                f"{scene.place(note)}: {scene.name_after(stem, note)}{voice} is a blue {member} "
                f"over {chord_name(chord)}",
            )


def _class_name(pitch_class: int, key: Key | None, chord: Chord) -> str:
    """A tone of a chord as the chord writes it: C sharp in A7, in C major too."""
    return pitch_name(pitch_class, key, chord).rstrip("-0123456789")


def _upper_name(chord: Chord) -> str:
    """The name of a chord, without a bass that is none of its tones."""
    is_own = chord.role_of(chord.bass_pc) is not None
    return chord_name(chord if is_own else with_bass(chord, chord.root_pc))


def _semitone_tones(midi: int, chord: Chord | None) -> list[tuple[int, str]]:
    """The tones of a chord a semitone from a pitch that is none of them."""
    if chord is None or chord.role_of(midi) is not None:
        return []
    return [(pc, member) for pc, member in chord.tones if (midi - pc) % 12 in (1, 11)]


def chords_that_stay(scene: Scene) -> Iterator[Consequence]:
    """That the chords over a bass moved inside a mix stay where they are."""
    bass = scene.band.bass
    if bass is None or not bass.inside:
        return
    for note in scene.moved(bass):
        yield Consequence(
            "new-chord",
            note.start_s,
            "the bass is moved inside the mix, below 250 Hz: its upper harmonics and the chords "
            "above it stay as they are",
        )


def new_chords(scene: Scene) -> Iterator[Consequence]:
    """The sonority under each chord whose bass or backing moved, named as what it is."""
    if scene.band.is_still:
        return
    changes = _changes(scene)
    for chord in scene.analysis.chords:
        if is_no_chord(chord):
            continue
        told: set[str] = set()
        inside = changes[bisect_left(changes, chord.start_s) : bisect_left(changes, chord.end_s)]
        for at_s in inside:
            if not scene.band.touches(at_s):
                continue
            text = _sonority(scene, chord, at_s)
            if text not in told:
                told.add(text)
                words = f"{bar_words(_bar_at(scene, at_s), at_s)}: {text}"
                yield Consequence("new-chord", round(at_s - _AFTER_S, 6), words)


def _changes(scene: Scene) -> list[float]:
    """When to look: just after every chord, bass note and cut of the backing begins."""
    starts = [chord.start_s for chord in scene.analysis.chords]
    if scene.band.bass is not None:
        starts += [note.start_s for note in scene.band.bass.notes]
    starts += [edit.start_s for edit in scene.plan.edits if edit.note is None]
    return sorted({start_s + _AFTER_S for start_s in starts})


def _bar_at(scene: Scene, at_s: float) -> int | None:
    downbeats = scene.analysis.bars.downbeats_s
    return bisect_right(downbeats, at_s) if downbeats else None


def _sonority(scene: Scene, chord: Chord, at_s: float) -> str:
    before, now = chord_name(chord), scene.band.chord(chord, at_s)
    if now is None:
        return f"the backing stems part ways over {before}; what sounds has no one name"
    bass = scene.band.bass_pc(at_s)
    if bass is not None and now.role_of(bass) is None:
        return f"{before} becomes {_over_foreign_bass(scene, now, bass, at_s)}"
    numeral = f" ({now.roman})" if now.roman else ""
    position = _POSITIONS.get(now.role_of(now.bass_pc) or "", "over a foreign bass")
    return f"{before} becomes {chord_name(now)}{numeral}, {position}"


def _over_foreign_bass(scene: Scene, now: Chord, bass: int, at_s: float) -> str:
    """A bass that is none of the chord's tones is called what it is."""
    key = scene.band.key_at(at_s)
    text = f"{_upper_name(now)} over {spell_pitch_class(bass, key)}"
    if key is not None and bass == tonic_pc(key) and not is_tonic_chord(now, key):
        text += ": the tonic in the bass, not the tonic chord"
    return text


def role_changes(scene: Scene) -> Iterator[Consequence]:
    """Unmoved notes whose role changed, with the chord beneath them or a moved neighbour; only
    where they last a beat or end a phrase."""
    for stem in scene.sung:
        for note in stem.notes:
            before, after = scene.roles[stem.name, note.index]
            now = scene.chord_after(note)
            if scene.edit(stem, note) or before == after or None in (before, after):
                continue
            if not note.is_phrase_ending and not scene.lasts(note):
                continue
            if note.chord is None or now is None:
                continue
            old, new = role_words(before, note.chord), role_words(after, now)
            same = f" over {chord_name(now)}"
            old = old.removesuffix(same) if new.endswith(same) else old
            yield Consequence(
                "role",
                note.start_s,
                f"{scene.place(note)}: {note.name}, not moved, turns from {old} to {new}",
            )


def lost_rests(scene: Scene) -> Iterator[Consequence]:
    """The last phrase, which came to rest on the tonic and does not now."""
    from retune.rules.endings import endings_of

    pairs = zip(endings_of(scene.analysis), endings_of(scene.analysis, scene.plan), strict=True)
    for before, after in pairs:
        if not before.is_last or before.state != "at rest" or after.state == "at rest":
            continue
        name = scene.name_after(_melody(scene), before.note)
        over = (
            ""
            if is_no_chord(after.chord) or not after.chord
            else f" over {chord_name(after.chord)}"
        )
        yield Consequence(
            "lost-rest",
            before.note.start_s,
            f"{scene.place(before.note)}: the last phrase no longer comes home: it ends on {name}, "
            f"degree {after.degree},{over} ({after.state}), where it came to rest",
        )


def _melody(scene: Scene) -> StemAnalysis:
    melody = scene.analysis.melody
    assert melody is not None  # endings_of found one
    return melody


def early_rests(scene: Scene) -> Iterator[Consequence]:
    """The tonic at phrase endings before the last, where it was not: how often, over which
    chord."""
    melody = scene.analysis.melody
    if melody is None or len(melody.phrases) < 2:
        return
    came: list[tuple[Note, str]] = []
    for phrase in melody.phrases[:-1]:
        if phrase.ending_note is None:
            continue
        note = melody.note(phrase.ending_note)
        words = _comes_home(scene, note, scene.midi_after(melody, note))
        if words:
            came.append((note, f"phrase {phrase.index} {words}"))
    if came:
        times = {1: "once", 2: "twice"}.get(len(came), f"{len(came)} times")
        yield Consequence(
            "early-rest",
            came[0][0].start_s,
            f"{scene.place(came[0][0])}: the tonic now ends a phrase {times} before phrase "
            f"{melody.phrases[-1].index}, "
            f"the last: {listed([words for _, words in came])}",
        )


def _comes_home(scene: Scene, note: Note, midi: int) -> str:
    """How a phrase newly ends on the tonic; "" when it does not, or did so before."""
    key = scene.band.key_at(note.start_s)
    if key is None or (midi - tonic_pc(key)) % 12:
        return ""
    chord = scene.chord_after(note)
    ending = how_it_ends(midi, chord, key)
    sung_in = scene.analysis.key_at(note.start_s)
    was_there = sung_in is not None and (note.midi_name - tonic_pc(sung_in)) % 12 == 0
    stays = midi == note.midi_name or key != sung_in
    if stays and was_there and ending == how_it_ends(note.midi_name, note.chord, sung_in):
        return ""
    if chord is None or ending is None:
        return "(by the melody alone)"
    return f"over {chord_name(chord)} ({ending})"
