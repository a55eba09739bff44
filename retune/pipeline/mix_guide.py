"""What is heard inside a finished mix: its melody, by a guide where there is one, and its bass.

A guide is a table of notes, a MIDI file, or a recording of the melody hummed or played alone, on
a clock and in an octave of its own. What a person corrects in the mix becomes its guide, and the
mix is heard once more by it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from retune.carriers.errors import InputError
from retune.carriers.heard import AudioLike, PitchTrack, Singing
from retune.carriers.songfacts import Stem
from retune.carriers.text import counted
from retune.pipeline.inputs import SongInputs, digest_of
from retune.pipeline.mix_voice import singing_heard, singing_of, voice_of, voice_reads
from retune.pipeline.pitch_track import TRACK, Tracked
from retune.pipeline.song_passage import track_part
from retune.pipeline.stages import Stage
from retune.song.guide import SCORE_SUFFIXES, GuideNote, mended, read_rough
from retune.sound.audio import AUDIO_SUFFIXES, AudioFile, open_audio
from retune.sound.files import same_file
from retune.sound.parts import Cut

if TYPE_CHECKING:
    from retune.analysis import Draft

MIX_RANGE_HZ = (65.0, 1200.0)
BASS_RANGE_HZ = (30.0, 180.0)
# Somebody who hums may be a bass, somebody who whistles high up.
HUMMED_RANGE_HZ = (55.0, 2100.0)
# How much better a hummed guide fits than in any other key. On practice mixes, hummed slower, an
# octave and a fifth lower: right melodies .07 and more, half of them .18; nine in ten of other
# melodies below this. So a doubt is told and nothing refused: the notes are judged later.
DOUBTED_BELOW = 0.08


@dataclass(frozen=True)
class Guide:
    """The notes of a guide on the clock of the mix; `told` in words what was done to them."""

    notes: tuple[GuideNote, ...] = ()
    told: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class MixHeard:
    """The melody of a mix as tracked by its guide, and `again` by its notes as put right, which are
    `corrected`; both the same where nobody put anything right."""

    track: PitchTrack
    again: PitchTrack
    corrected: tuple[Draft, ...] | None = None
    told: tuple[str, ...] = ()


def guide_of(opened: SongInputs) -> Guide:
    """The song's guide; without notes when there is none or no mix to guide through.

    Raises
    ------
    InputError
        The guide cannot be read, or holds no note.
    """
    path, mix = opened.song.music.guide, opened.mix
    if path is None or mix is None:
        return Guide()
    if path.suffix.lower() in SCORE_SUFFIXES:
        raise InputError(
            f"guide {path.name}: a score has no times of this recording; give a mix a MIDI file, a "
            "CSV (start_s,end_s,pitch) or a recording of the melody hummed"
        )
    is_sound = path.suffix.lower() in AUDIO_SUFFIXES
    whole_s = opened.audio[mix.name].entire.duration_s
    guide = _hummed(opened, path, mix) if is_sound else _written(path, whole_s)
    if opened.passage is None:
        return guide
    first_s, last_s = opened.passage
    inside = (n for n in guide.notes if n.end_s > first_s and n.start_s < last_s)
    return Guide(tuple(inside), guide.told)


def _written(path: Path, duration_s: float) -> Guide:
    """The notes of a table or a MIDI file, and what was mended in them."""
    notes, done = mended(read_rough(path))
    inside = tuple(note for note in notes if note.start_s < duration_s)
    late = len(notes) - len(inside)
    if not inside:
        raise InputError(
            f"guide {path.name}: its first note begins at {notes[0].start_s:.2f} s, after the "
            f"recording has ended ({duration_s:.2f} s); is it this song's?"
        )
    told = [done] if done else []
    if late:
        begin = "note begins" if late == 1 else "notes begin"
        told.append(f"{late} {begin} after the recording has ended ({duration_s:.2f} s): left out")
    return Guide(inside, tuple(f"guide {path.name}: {line}" for line in told))


@dataclass(frozen=True)
class Laid:
    """The notes of a recording laid on the mix: in the first key that fits them, and how much
    better they fit there than in any other."""

    notes: tuple[GuideNote, ...]
    margin: float
    words: str


LAID = Stage("guide laid on a mix", Laid, rooms=("track", "analysis"))


def _hummed(opened: SongInputs, path: Path, mix: Stem) -> Guide:
    """The notes of a recording, laid on the mix."""
    if same_file(path, mix.path):
        raise InputError(
            f"guide {path.name}: it is the recording itself; give its melody alone, hummed or "
            "played, or leave the guide out"
        )
    reads = {"hummed": digest_of(path), "name": path.name, "mix": opened.content(mix.name)}
    laid = opened.recall(LAID, reads, lambda: _lay(path, opened.audio[mix.name]))
    told = [f"guide {path.name}: {laid.words}"]
    if laid.margin < DOUBTED_BELOW:
        told.append(
            f"guide {path.name}: it fits the mix hardly better than in another key: check that it "
            "is the same melody, and listen to its notes"
        )
    return Guide(laid.notes, tuple(told))


def _lay(path: Path, mix: AudioFile) -> Laid:
    from retune.analysis import find_notes
    from retune.track import align_to_mix, track_pitch

    audio, (low_hz, high_hz) = open_audio(path), HUMMED_RANGE_HZ
    track = track_pitch(audio, fmin_hz=low_hz, fmax_hz=high_hz, tracker="pyin")
    heard = [GuideNote(n.start_s, n.end_s, n.midi) for n in find_notes(track, audio)]
    if not heard:
        raise InputError(
            f"{path.name}: no note is heard in this recording; hum or play the melody alone"
        )
    laid = align_to_mix(mix, heard, fmin_hz=MIX_RANGE_HZ[0], fmax_hz=MIX_RANGE_HZ[1])
    notes = (
        GuideNote(round(n.start_s, 4), round(n.end_s, 4), round(n.midi, 3)) for n in laid.notes
    )
    words = (
        f"{counted(len(heard), 'note')} laid on the mix{_moved_words(laid.octaves, laid.semitones)}"
    )
    return Laid(tuple(notes), laid.fit - laid.rival, words)


def _moved_words(octaves: int, semitones: int) -> str:
    """ ", an octave higher, and 3 semitones lower since it is in another key"."""
    words = ""
    if octaves:
        size = "an octave" if abs(octaves) == 1 else f"{abs(octaves)} octaves"
        words += f", {size} {'higher' if octaves > 0 else 'lower'}"
    if semitones:
        size = counted(abs(semitones), "semitone")
        side = "higher" if semitones > 0 else "lower"
        words += f", {size} {side} since it is hummed in another key"
    return words


def hear_mix(opened: SongInputs, name: str) -> MixHeard:
    """The melody of a mix, tracked by its guide, and again by its notes as put right by hand."""
    from retune.analysis import corrected_guide

    guide, sung = guide_of(opened), singing_heard(opened, name)
    track = _tracked(opened, name, guide.notes, sung)
    given = [c for c in opened.corrections if c.stem == name]
    if not given:
        return MixHeard(track, track, None, guide.told)
    singing = singing_of(opened, name)
    drafts, told = corrected_guide(
        _tracked(opened, name, guide.notes, singing),
        guide.notes,
        given,
        stem=name,
        singing=singing,
        voice=voice_of(opened, name),
    )
    rough = [GuideNote(d.start_s, d.end_s, d.midi) for d in drafts]
    again = _tracked(opened, name, rough, singing)
    return MixHeard(track, again, drafts, (*guide.told, *told))


def _tracked(
    opened: SongInputs, name: str, guide: Sequence[GuideNote], singing: Singing
) -> PitchTrack:
    from retune.track import track_pitch

    audio, (low_hz, high_hz) = opened.audio[name], MIX_RANGE_HZ
    if opened.settings.track_file is not None:
        tracker = opened.settings.tracker
        return track_pitch(audio, fmin_hz=low_hz, fmax_hz=high_hz, tracker=tracker)
    voice, sung = voice_of(opened, name), singing.spans
    reads = {
        **voice_reads(opened, name),
        "range_hz": [low_hz, high_hz],
        "guide": [[n.start_s, n.end_s, n.midi] for n in guide],
        "sung": [list(span) for span in sung],
    }
    return _track_of(
        opened,
        reads,
        lambda: _track_part(audio, voice, guide, sung),
    )


def _track_part(
    audio: AudioFile,
    voice: AudioLike,
    guide: Sequence[GuideNote],
    sung: Sequence[tuple[float, float]],
) -> PitchTrack:
    """The melody of a mix in the part that is worked on, on the clock of the whole."""
    from retune.track import track_mix

    first_s = audio.first / audio.rate_hz
    low_hz, high_hz = MIX_RANGE_HZ
    return track_part(
        audio,
        lambda part: track_mix(
            part,
            fmin_hz=low_hz,
            fmax_hz=high_hz,
            guide=[replace(n, start_s=n.start_s - first_s, end_s=n.end_s - first_s) for n in guide],
            voice=Cut(voice, audio.first, audio.n_samples),
            sung=[(a - first_s, b - first_s) for a, b in sung],
        ),
    )


def hear_bass(opened: SongInputs, mix: str) -> PitchTrack:
    """The pitch of the bass inside a mix."""
    from retune.track import Lows, track_pitch

    low_hz, high_hz = BASS_RANGE_HZ
    return _track_of(
        opened,
        {"bass of": opened.content(mix), "range_hz": [low_hz, high_hz]},
        lambda: track_part(
            opened.audio[mix],
            lambda part: track_pitch(Lows(part), fmin_hz=low_hz, fmax_hz=high_hz, tracker="pyin"),
        ),
    )


def _track_of(
    opened: SongInputs, reads: Mapping[str, Any], make: Callable[[], PitchTrack]
) -> PitchTrack:
    track = opened.recall(TRACK, reads, lambda: Tracked(make())).track
    assert track is not None
    return track
