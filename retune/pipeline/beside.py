"""The same rules made on a finished mix and on the stems of the same music, side by side."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from retune.carriers.changes import Edit, Plan, Rendition
from retune.carriers.errors import UsageError
from retune.carriers.heard import Audio, FloatArray, Note
from retune.comparison.difference import Difference, log_spectral_distance, median_cents
from retune.comparison.levels import MixLevels, measure, version_levels
from retune.comparison.mix import Mix
from retune.pipeline.inputs import BASS, SongInputs
from retune.pipeline.mix_guide import BASS_RANGE_HZ, MIX_RANGE_HZ
from retune.pipeline.mix_levels import levelled_mix, levels_of, mix_of
from retune.pipeline.song_analysis import analysis_of
from retune.song.guide import GuideNote

FROM_STEMS = "-from-stems"
EDGE_S = 0.08
CONTEXT_S = 0.3
SAME_WITHIN_S = 0.2


def check_beside(opened: SongInputs, other: SongInputs) -> None:
    """Refuse a song that cannot sound at the same moments as another.

    Raises
    ------
    UsageError
        Another rate, or not the same length to a second.
    """
    if opened.rate_hz != other.rate_hz:
        raise UsageError(
            f"--beside {other.song.path.name}: its rate is {other.rate_hz} Hz, that of "
            f"{opened.song.path.name} {opened.rate_hz} Hz; convert one of them"
        )
    seconds = [song.n_samples / song.rate_hz for song in (opened, other)]
    if abs(seconds[0] - seconds[1]) > 1.0:
        raise UsageError(
            f"--beside {other.song.path.name}: it lasts {seconds[1]:.1f} s, "
            f"{opened.song.path.name} {seconds[0]:.1f} s; give the same music"
        )


def matched_mix(
    opened: SongInputs, other: SongInputs, rendition: Rendition
) -> tuple[Mix, MixLevels]:
    """A version of another song, brought to the loudness of this song's original."""
    mix = mix_of(other, rendition)
    levels = version_levels(measure(mix), original=levels_of(opened))
    return mix.louder_by(levels.gain_db), levels


def made_by_both(plan: Plan, other: Plan) -> tuple[Edit, ...]:
    """The edits of a plan that another makes too: the same pitch from about the same moment on.
    A mix is not always heard as its stems are, so the same rules may move other notes."""
    return tuple(
        edit
        for edit in plan.edits
        if any(
            abs(edit.start_s - same.start_s) < SAME_WITHIN_S
            and (edit.from_name, edit.to_name) == (same.from_name, same.to_name)
            for same in other.edits
        )
    )


def shared_plan(plan: Plan, other: Plan) -> tuple[Plan, tuple[str, ...]]:
    """What of the plan for the stems (`other`) the mix's `plan` moves too, without edits where the
    two move no note in common; and a warning where that is not all of both."""
    shared = made_by_both(other, plan)
    if len(shared) == len(plan.edits) == len(other.edits):
        return other, ()
    made = (
        "only those are moved in the version made from stems"
        if shared
        else "so no version of it is made from stems"
    )
    return replace(other, edits=shared), (
        f"the mix is heard otherwise than its stems: {plan.name} moves {len(plan.edits)} notes in "
        f"the mix and {len(other.edits)} in the stems, {len(shared)} of them the same; {made} "
        "(a guide helps a mix to be heard rightly)",
    )


def differences(
    opened: SongInputs, rendition: Rendition, other: SongInputs, others: Rendition
) -> tuple[Difference, ...]:
    """Each edit of a version that was made from stems too, beside that."""
    original, _ = levelled_mix(opened)
    mine, _ = levelled_mix(opened, rendition)
    theirs, _ = matched_mix(opened, other, others)
    stems = analysis_of(opened).stems
    found = []
    for edit in made_by_both(rendition.plan, others.plan):
        span = {"start_s": edit.start_s + EDGE_S, "end_s": edit.end_s - EDGE_S}
        if span["end_s"] - span["start_s"] < EDGE_S:
            continue
        note = stems[edit.stem].note(edit.note) if edit.note is not None else None
        word = next((v.word for v in rendition.verdicts if v.is_of(edit)), "")
        found.append(
            Difference(
                name=rendition.name,
                other=others.name,
                edit=edit,
                log_spectral_db=log_spectral_distance(mine, theirs, **span),
                before_db=log_spectral_distance(original, theirs, **span),
                pitch_cents=_cents_apart(mine, theirs, edit, note),
                word=word,
            )
        )
    return tuple(found)


def _cents_apart(mine: Mix, theirs: Mix, edit: Edit, note: Note | None) -> float | None:
    if note is None:
        return None
    is_low = edit.stem == BASS
    lines = [_pitch(mix, edit, note, is_low=is_low) for mix in (mine, theirs)]
    n = min(len(line) for line in lines)
    return median_cents(lines[0][:n], lines[1][:n])


def _pitch(mix: Mix, edit: Edit, note: Note, *, is_low: bool) -> FloatArray:
    """The pitch of a moved note in a mix, edges left out, heard near where it should be."""
    from retune.track import Lows, track_mix, track_pitch

    first_s = max(edit.start_s - CONTEXT_S, 0.0)
    a, b = (int(t * mix.rate_hz) for t in (first_s, edit.end_s + CONTEXT_S))
    sound = Audio(mix.read(a, b), mix.rate_hz)
    wanted = note.pitch_midi + edit.shift_cents / 100
    if is_low:
        track = track_pitch(
            Lows(sound), fmin_hz=BASS_RANGE_HZ[0], fmax_hz=BASS_RANGE_HZ[1], tracker="pyin"
        )
    else:
        near = GuideNote(edit.start_s - first_s, edit.end_s - first_s, wanted)
        track = track_mix(sound, fmin_hz=MIX_RANGE_HZ[0], fmax_hz=MIX_RANGE_HZ[1], guide=(near,))
    at_s = track.time_s + first_s
    inside = (at_s > edit.start_s + EDGE_S) & (at_s < edit.end_s - EDGE_S)
    return np.asarray(track.f0_hz[inside])
