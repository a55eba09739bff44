"""What is heard inside a finished mix: its melody, by a guide where there is one, and its bass.

A guide is a table of notes, a MIDI file, or a recording of the melody hummed or played alone, on
a clock and in an octave of its own. What a person corrects in the mix becomes its guide, and the
mix is heard once more by it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from retune.carriers.errors import InputError
from retune.carriers.heard import PitchTrack
from retune.carriers.songfacts import Song, Stem
from retune.carriers.text import counted
from retune.pipeline.tracking import code_of, remembered
from retune.song.guide import GuideNote, read_guide
from retune.sound.audio import AUDIO_SUFFIXES, AudioFile, open_audio
from retune.sound.cache import Cache

if TYPE_CHECKING:
    from retune.analysis import Draft
    from retune.pipeline.song_analysis import OpenSong

MIX_RANGE_HZ = (65.0, 1200.0)
BASS_RANGE_HZ = (30.0, 180.0)
# Somebody who hums may be a bass, somebody who whistles high up.
HUMMED_RANGE_HZ = (55.0, 2100.0)
BASS = "bass"
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
    """The melody of a mix; `corrected` are its notes where a person put some right."""

    track: PitchTrack
    corrected: tuple[Draft, ...] | None = None
    told: tuple[str, ...] = ()


def mix_of_song(song: Song) -> Stem | None:
    """The stem that is a finished mix, if there is one."""
    return next((stem for stem in song.stems.values() if stem.role == "mix"), None)


def parts_inside(song: Song) -> Mapping[str, Stem]:
    """Parts that are heard and moved inside the mix: its bass, where no stem is one."""
    mix, stems = mix_of_song(song), song.stems
    taken = {name.casefold() for name in stems}
    if mix is None or BASS in taken or any(stem.role == "bass" for stem in stems.values()):
        return {}
    return {BASS: Stem(BASS, mix.path, "bass", inside=mix.name)}


def guide_of(opened: OpenSong) -> Guide:
    """The song's guide, read once; without notes when there is none or no mix to guide through.

    Raises
    ------
    InputError
        The guide cannot be read, or holds no note.
    """
    path, mix = opened.song.music.guide, mix_of_song(opened.song)
    if path is None or mix is None:
        return Guide()
    if "guide" not in opened._memo:
        is_sound = path.suffix.lower() in AUDIO_SUFFIXES
        opened._memo["guide"] = _hummed(opened, path, mix) if is_sound else Guide(read_guide(path))
    guide: Guide = opened._memo["guide"]
    return guide


def _hummed(opened: OpenSong, path: Path, mix: Stem) -> Guide:
    """The notes of a recording, laid on the mix."""
    audio = open_audio(path)
    key = {
        "hummed": audio.sha256(),
        "mix": opened.sha256(mix.name),
        "code": code_of("retune.track", "retune.analysis"),
    }
    found = Cache().get_json(key) if opened.use_cache else None
    if found is None:
        found = _lay(audio, opened.audio[mix.name], path.name)
        if opened.use_cache:
            Cache().put_json(key, found)
    told = [f"guide {path.name}: {found['words']}"]
    if found["margin"] < DOUBTED_BELOW:
        told.append(
            f"guide {path.name}: it fits the mix hardly better than in another key: check that it "
            "is the same melody, and listen to its notes"
        )
    return Guide(tuple(GuideNote(*row) for row in found["notes"]), tuple(told))


def _lay(audio: AudioFile, mix: AudioFile, name: str) -> dict[str, Any]:
    from retune.analysis import find_notes
    from retune.track import align_to_mix, track_pitch

    low_hz, high_hz = HUMMED_RANGE_HZ
    track = track_pitch(audio, fmin_hz=low_hz, fmax_hz=high_hz, tracker="pyin")
    heard = [GuideNote(n.start_s, n.end_s, n.midi) for n in find_notes(track, audio)]
    if not heard:
        raise InputError(
            f"{name}: no note is heard in this recording; hum or play the melody alone"
        )
    laid = align_to_mix(mix, heard, fmin_hz=MIX_RANGE_HZ[0], fmax_hz=MIX_RANGE_HZ[1])
    count = "1 note" if len(heard) == 1 else f"{len(heard)} notes"
    return {
        "notes": [[round(n.start_s, 4), round(n.end_s, 4), round(n.midi, 3)] for n in laid.notes],
        "fit": laid.fit,
        "margin": laid.fit - laid.rival,
        "words": f"{count} laid on the mix{_moved_words(laid.octaves, laid.semitones)}",
    }


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


def hear_mix(opened: OpenSong, name: str) -> MixHeard:
    """The melody of a mix, tracked by its guide, and again by its notes as put right by hand."""
    from retune.analysis import corrected_guide

    guide = guide_of(opened)
    track = _tracked(opened, name, guide.notes)
    given = [c for c in opened.song.corrections if c.stem == name]
    if not given:
        return MixHeard(track, None, guide.told)
    drafts, told = corrected_guide(track, guide.notes, given, stem=name)
    rough = [GuideNote(d.start_s, d.end_s, d.midi) for d in drafts]
    return MixHeard(_tracked(opened, name, rough), drafts, (*guide.told, *told))


def _tracked(opened: OpenSong, name: str, guide: Sequence[GuideNote]) -> PitchTrack:
    from retune.track import track_mix, track_pitch

    audio, (low_hz, high_hz) = opened.audio[name], MIX_RANGE_HZ
    if opened.tracker.startswith("csv:"):
        return track_pitch(audio, fmin_hz=low_hz, fmax_hz=high_hz, tracker=opened.tracker)
    track, _ = remembered(
        {
            "mix": opened.sha256(name),
            "range": [low_hz, high_hz],
            "guide": [[n.start_s, n.end_s, n.midi] for n in guide],
        },
        lambda: (track_mix(audio, fmin_hz=low_hz, fmax_hz=high_hz, guide=guide), ()),
        use_cache=opened.use_cache,
    )
    assert track is not None
    return track


def hear_bass(opened: OpenSong, mix: str) -> PitchTrack:
    """The pitch of the bass inside a mix."""
    from retune.track import Lows, track_pitch

    low_hz, high_hz = BASS_RANGE_HZ
    lows = Lows(opened.audio[mix])
    track, _ = remembered(
        {"bass of": opened.sha256(mix), "range": [low_hz, high_hz]},
        lambda: (track_pitch(lows, fmin_hz=low_hz, fmax_hz=high_hz, tracker="pyin"), ()),
        use_cache=opened.use_cache,
    )
    assert track is not None
    return track
