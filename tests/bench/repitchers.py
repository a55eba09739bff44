"""Ways to move notes of a stem, side by side: retune's engines and what else there is.

Engines that know only a constant shift get 0.35 s of sound on both sides and are pasted in with
crossfades of 10 ms at the note's bounds. Overlap-add by Praat gets a pitch contour that ramps
over 60 ms at the note's bounds.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from ground_truth import RATE_HZ, Pair
from metrics import pitch
from numpy.typing import NDArray

from retune.carriers.changes import Edit
from retune.carriers.heard import Audio, Note, PitchTrack, StemAnalysis
from retune.repitch import render_control, render_stem

Samples = NDArray[np.float32]
CONTEXT_S, FADE_S, RAMP_S = 0.35, 0.010, 0.06
HOP_S = 0.005


@dataclass(frozen=True, eq=False)
class Task:
    """The original, its notes as an analysis would give them, and what is to be moved."""

    audio: Audio
    stem: StemAnalysis
    edits: tuple[Edit, ...]


def track_of(pair: Pair, *, by: str = "praat") -> PitchTrack:
    """The pitch of the original: by Praat (every 5 ms), or by retune's own tracker."""
    if by == "retune":
        from retune.track import track_pitch

        audio = Audio(pair.original, RATE_HZ)
        return track_pitch(audio, fmin_hz=60.0, fmax_hz=1200.0)
    x, cents = pitch(pair.original)
    time_s = np.arange(0, len(pair.original) / RATE_HZ, HOP_S)
    nearest = np.clip(np.round((time_s - x[0]) / HOP_S).astype(int), 0, len(cents) - 1)
    f0 = 440 * 2 ** ((cents[nearest] - 6900) / 1200)
    return PitchTrack(time_s, f0, np.isfinite(f0).astype(float), np.zeros(len(time_s)), "praat")


def make_task(pair: Pair, *, off_s: float = 0.0, by: str = "praat", seed: int = 5) -> Task:
    """The task of a pair, with every boundary between notes wrong by `off_s`, early or late."""
    late = np.random.default_rng(seed).choice([-1, 1], size=len(pair.notes) + 1) * off_s
    notes = []
    for i, sung in enumerate(pair.notes):
        goes_on = i + 1 < len(pair.notes) and pair.notes[i + 1].legato
        a, b = int(sung.start_s / 0.005) + 10, int(sung.end_s / 0.005) - 10
        notes.append(
            Note(
                index=i + 1,
                start_s=max(sung.start_s + late[i], 0.0),
                end_s=sung.end_s + (late[i + 1] if goes_on else 0.0),
                pitch_midi=float(np.median(pair.cents[a:b])) / 100,
                name="",
                cents_from_name=0.0,
            )
        )
    edits = tuple(
        Edit("voice", note.start_s, note.end_s, pair.shift_cents, "", note=note.index)
        for note, sung in zip(notes, pair.notes, strict=True)
        if sung.moved
    )
    stem = StemAnalysis("voice", "melody", tuple(notes), (), track_of(pair, by=by))
    return Task(Audio(pair.original, RATE_HZ), stem, edits)


def by_retune(engine: str) -> Callable[[Task], Samples]:
    def run(task: Task) -> Samples:
        made = render_stem(task.audio, stem=task.stem, edits=task.edits, engine=engine)
        return made.apply(task.audio)[:, 0]

    return run


def control(task: Task) -> Samples:
    """retune's matched control of the task."""
    return render_control(task.audio, stem=task.stem, edits=task.edits).apply(task.audio)[:, 0]


def paste(shift: Callable[[Samples, float], Samples]) -> Callable[[Task], Samples]:
    """Each note moved with its surroundings by `shift(samples, cents)` and pasted in."""

    def run(task: Task) -> Samples:
        out = np.array(task.audio.samples[:, 0])
        fade, context = int(FADE_S * RATE_HZ), int(CONTEXT_S * RATE_HZ)
        for edit in task.edits:
            a, b = int(edit.start_s * RATE_HZ), min(int(edit.end_s * RATE_HZ), len(out))
            first, last = max(a - context, 0), min(b + context, len(out))
            moved = shift(np.ascontiguousarray(task.audio.samples[first:last, 0]), edit.shift_cents)
            weight = np.ones(b - a)
            ramp = np.linspace(0, 1, min(fade, (b - a) // 2))
            weight[: len(ramp)], weight[len(weight) - len(ramp) :] = ramp, ramp[::-1]
            piece = moved[a - first : b - first]
            out[a:b] = (1 - weight) * out[a:b] + weight * piece
        return out.astype(np.float32)

    return run


def _librosa(y: Samples, cents: float) -> Samples:
    import librosa

    return np.asarray(librosa.effects.pitch_shift(y, sr=RATE_HZ, n_steps=cents / 100))


def _rubberband(*options: str) -> Callable[[Samples, float], Samples]:
    def shift(y: Samples, cents: float) -> Samples:
        import soundfile

        with tempfile.TemporaryDirectory() as folder:
            source, target = os.path.join(folder, "a.wav"), os.path.join(folder, "b.wav")
            soundfile.write(source, 0.25 * y, RATE_HZ, subtype="FLOAT")
            command = ["rubberband", "-q", *options, "-p", str(cents / 100), source, target]
            subprocess.run(command, check=True, capture_output=True)
            made, _ = soundfile.read(target, dtype="float32")
        return np.pad(4 * made, (0, max(len(y) - len(made), 0)))[: len(y)]

    return shift


def _python_stretch(y: Samples, cents: float) -> Samples:
    from python_stretch import Signalsmith

    stretch = Signalsmith.Stretch(1)
    stretch.preset(1, RATE_HZ)
    stretch.setTransposeSemitones(cents / 100)
    tail = stretch.inputLatency() + stretch.outputLatency()
    return np.asarray(stretch.process(np.pad(y, (0, tail))[None, :]))[0, : len(y)]


def by_praat(task: Task) -> Samples:
    """Overlap-add as Praat does it, on the whole stem; only the notes are pasted back."""
    import parselmouth
    from parselmouth.praat import call

    samples = np.asarray(task.audio.samples[:, 0], np.float64)
    sound = parselmouth.Sound(samples, RATE_HZ)
    manipulation = call(sound, "To Manipulation", 0.005, 60, 1400)
    tier = call(manipulation, "Extract pitch tier")
    moved = call("Create PitchTier", "moved", 0.0, sound.xmax)
    for k in range(1, call(tier, "Get number of points") + 1):
        at, hz = call(tier, "Get time from index", k), call(tier, "Get value at index", k)
        call(moved, "Add point", at, hz * 2 ** (_ramped(task, at) / 1200))
    call([manipulation, moved], "Replace pitch tier")
    made = np.asarray(call(manipulation, "Get resynthesis (overlap-add)").values[0])
    return paste_whole(task, made.astype(np.float32))


def _ramped(task: Task, at_s: float) -> float:
    total = 0.0
    for edit in task.edits:
        up = np.clip((at_s - edit.start_s) / RAMP_S + 0.5, 0, 1)
        down = np.clip((at_s - edit.end_s) / RAMP_S + 0.5, 0, 1)
        total += edit.shift_cents * float(up - down)
    return total


def paste_whole(task: Task, made: Samples) -> Samples:
    """The original, with `made` within 50 ms of each edit."""
    weight = np.zeros(task.audio.n_samples)
    for edit in task.edits:
        a = max(int((edit.start_s - 0.05) * RATE_HZ), 0)
        weight[a : int((edit.end_s + 0.05) * RATE_HZ)] = 1
    kernel = np.ones(int(FADE_S * RATE_HZ))
    weight = np.convolve(weight, kernel / kernel.sum(), "same")
    old = task.audio.samples[:, 0]
    made = np.pad(made, (0, max(len(old) - len(made), 0)))[: len(old)]
    return np.asarray(np.where(weight > 0, (1 - weight) * old + weight * made, old), np.float32)


def available() -> dict[str, Callable[[Task], Samples]]:
    """Every way that works on this machine, by name."""
    ways: dict[str, Callable[[Task], Samples]] = {
        "psola": by_retune("psola"),
        "world": by_retune("world"),
        "praat": by_praat,
        "librosa": paste(_librosa),
        "stretch": paste(_python_stretch),
    }
    if shutil.which("rubberband"):
        ways |= {
            "rubberband": by_retune("rubberband"),
            "rb-r2": paste(_rubberband("-2")),
            "rb-r2-formants": paste(_rubberband("-2", "-F")),
            "rb-r3": paste(_rubberband("-3")),
            "rb-r3-formants": paste(_rubberband("-3", "-F")),
        }
    return ways
