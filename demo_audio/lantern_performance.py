"""How the tune is sung: human timing and the pitch curve, from the written notes.

The inputs are the score, the lengths of the speech sounds of each phrase
(``phones.json``) and one seed. No audio is needed, so the truth tables can be made
again without the speech synthesiser. Sounds are named in the synthesiser's own set.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from lantern_score import DURATION_S, WrittenNote, midi_of, seconds, written_melody
from numpy.typing import NDArray

HOP_S = 0.005
# fmt: off
VOWELS = frozenset({
    "aa", "ae", "ah", "ao", "aw", "ax", "ay", "eh",
    "er", "ey", "ih", "iy", "ow", "oy", "uh", "uw",
})
# fmt: on
UNVOICED = frozenset({"p", "t", "k", "f", "th", "s", "sh", "ch", "hh"})
OBSTRUENTS = frozenset({"b", "d", "g", "v", "z", "dh", "zh", "jh"})

LATE_PICKUP_S = 0.09  # after a breath the singer comes in a little late
LONGEST_CONSONANT_S = 0.12
LONGEST_PICKUP_CONSONANT_S = 0.07
# fmt: off
SCOOPED = frozenset({
    "one", "moon", "trees", "rest", "wind", "stars",
    "rows", "who", "blue", "lamp", "light",
})
# fmt: on


@dataclass(frozen=True)
class SpokenPhone:
    """A speech sound of the spoken phrase, with its times in the spoken recording."""

    name: str
    start_s: float
    end_s: float
    word: int  # index within the phrase


@dataclass(frozen=True)
class SungPhone:
    """A speech sound placed in the song; ``note`` is the index of the note it belongs to."""

    name: str
    start_s: float
    end_s: float
    source: SpokenPhone
    note: int

    @property
    def is_vowel(self) -> bool:
        return self.name in VOWELS

    @property
    def is_voiced(self) -> bool:
        return self.name not in UNVOICED


@dataclass(frozen=True)
class SungNote:
    """One note as sung. A melisma note has no consonants of its own."""

    written: WrittenNote
    midi: int
    start_s: float  # first speech sound
    vowel_on_s: float  # where the note sounds on its pitch: the musical onset
    vowel_off_s: float
    end_s: float  # end of the last speech sound
    detune_cents: float
    glide_s: float  # 0 where nothing leads into the note
    scoop_cents: float
    fall_cents: float
    vibrato_hz: float  # 0 where the note is too short for vibrato
    vibrato_cents: float  # half of peak to peak
    vibrato_delay_s: float


@dataclass(frozen=True)
class Performance:
    """The whole vocal: notes and phones in order of time, pitch on frames of HOP_S."""

    notes: tuple[SungNote, ...]
    phones: tuple[SungPhone, ...]
    time_s: NDArray[np.float64]
    f0_hz: NDArray[np.float64]  # 0 where unvoiced
    breath_at_s: tuple[float, ...]  # end of the breath before each phrase


def _split_syllable(
    phones: list[SpokenPhone],
) -> tuple[list[SpokenPhone], SpokenPhone, list[SpokenPhone]]:
    """Onset consonants, vowel, coda consonants of a one-syllable word."""
    vowels = [k for k, phone in enumerate(phones) if phone.name in VOWELS]
    if len(vowels) != 1:
        raise ValueError(f"one vowel a word expected, got {[p.name for p in phones]}")
    k = vowels[0]
    return phones[:k], phones[k], phones[k + 1 :]


def _consonant_s(phone: SpokenPhone, *, longest_s: float) -> float:
    return min(phone.end_s - phone.start_s, longest_s)


def _vowel_onsets(written: list[WrittenNote], rng: np.random.Generator) -> list[float]:
    """The sung onset of each note: the grid, loosened; short and tail notes less so."""
    onsets = []
    for k, note in enumerate(written):
        loose_s = 0.004 if note.part == "tail" else 0.012 if note.beats >= 1 else 0.008
        late_s = LATE_PICKUP_S if k == 0 and note.phrase > 1 else 0.0
        late_s += 0.012 if note.part == "ending" else 0.0
        wobble = float(np.clip(rng.normal(0, loose_s), -2 * loose_s, 2 * loose_s))
        onsets.append(seconds(note.at_beats) + late_s + wobble)
    return onsets


def _place_phones(
    written: list[WrittenNote],
    spoken: list[SpokenPhone],
    onsets: list[float],
    *,
    first_note: int,
    rng: np.random.Generator,
) -> list[SungPhone]:
    """Vowels begin on their notes; consonants keep their spoken length where they can."""
    heads = [k for k, note in enumerate(written) if note.part != "tail"]
    syllables = [
        _split_syllable([p for p in spoken if p.word == word]) for word in range(len(heads))
    ]
    placed: list[SungPhone] = []
    onset_limit = LONGEST_PICKUP_CONSONANT_S
    start = onsets[0] - sum(_consonant_s(p, longest_s=onset_limit) for p in syllables[0][0])
    lead_scale = 1.0
    for word, head in enumerate(heads):
        onset, vowel, coda = syllables[word]
        for phone in onset:
            end = start + lead_scale * _consonant_s(phone, longest_s=onset_limit)
            placed.append(SungPhone(phone.name, start, end, phone, first_note + head))
            start = end
        onset_limit = LONGEST_CONSONANT_S
        coda_s = sum(_consonant_s(p, longest_s=onset_limit) for p in coda)
        if word + 1 < len(heads):
            following = syllables[word + 1][0]
            next_s = sum(_consonant_s(p, longest_s=onset_limit) for p in following)
            gap_s = float(rng.uniform(0.06, 0.11)) if written[head].detached else 0.0
            limit = onsets[heads[word + 1]]
            room = limit - onsets[head] - gap_s
            lead_scale = min(1.0, 0.5 * room / max(coda_s + next_s, 1e-9))
            vowel_end = limit - gap_s - lead_scale * (coda_s + next_s)
        else:
            gap_s, lead_scale = 0.0, 1.0
            final = written[-1]
            vowel_end = seconds(final.at_beats + final.beats) - coda_s
        placed.append(SungPhone(vowel.name, onsets[head], vowel_end, vowel, first_note + head))
        start = vowel_end
        for phone in coda:
            end = start + lead_scale * _consonant_s(phone, longest_s=onset_limit)
            placed.append(SungPhone(phone.name, start, end, phone, first_note + head))
            start = end
        start += gap_s
    return placed


def _sing_note(
    note: WrittenNote,
    phones: list[SungPhone],
    *,
    span_s: tuple[float, float],
    opens: bool,
    closes: bool,
    leads_on: bool,
    rng: np.random.Generator,
) -> SungNote:
    """Choose one note's intonation; ``span_s`` is its part of the vowel.

    ``leads_on``: a melisma note goes on with its vowel.
    """
    held_s = span_s[1] - span_s[0]
    with_vibrato = held_s > 0.5 and note.part != "tail"
    scooped = note.word.lower() in SCOOPED or (opens and rng.uniform() < 0.5)
    return SungNote(
        written=note,
        midi=midi_of(note.name),
        start_s=phones[0].start_s if phones else span_s[0],
        vowel_on_s=span_s[0],
        vowel_off_s=span_s[1],
        end_s=phones[-1].end_s if phones and not leads_on else span_s[1],
        detune_cents=float(rng.normal(0, 5 if note.part else 8)),
        glide_s=0.0 if opens else float(rng.uniform(0.04, 0.08 if note.beats < 0.5 else 0.16)),
        scoop_cents=float(rng.uniform(50, 110)) if scooped else 0.0,
        fall_cents=float(rng.uniform(40, 90)) if closes else 0.0,
        vibrato_hz=float(rng.uniform(5.0, 5.9)) if with_vibrato else 0.0,
        vibrato_cents=float(rng.uniform(22, 42)) if with_vibrato else 0.0,
        vibrato_delay_s=float(rng.uniform(0.18, 0.32)) if with_vibrato else 0.0,
    )


def _sing_phrase(
    written: list[WrittenNote],
    spoken: list[SpokenPhone],
    *,
    first_note: int,
    rng: np.random.Generator,
) -> tuple[list[SungNote], list[SungPhone]]:
    onsets = _vowel_onsets(written, rng)
    phones = _place_phones(written, spoken, onsets, first_note=first_note, rng=rng)
    last = len(written) - 1
    closing = max(k for k, n in enumerate(written) if n.part != "tail")
    notes = []
    vowel_end = 0.0
    for k, note in enumerate(written):
        own = [p for p in phones if p.note == first_note + k]
        vowel_end = next((p.end_s for p in own if p.is_vowel), vowel_end)
        tail_follows = k < last and written[k + 1].part == "tail"
        span_s = (onsets[k], onsets[k + 1] if tail_follows else vowel_end)
        sung = _sing_note(
            note,
            own,
            span_s=span_s,
            opens=k == 0,
            closes=k == last == closing,
            leads_on=tail_follows,
            rng=rng,
        )
        notes.append(sung)
    return notes, phones


def _glide(time_s: NDArray[np.float64], middle_s: float, width_s: float) -> NDArray[np.float64]:
    """A raised cosine from 0 to 1."""
    progress = np.clip((time_s - middle_s) / width_s + 0.5, 0, 1)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * progress))


def _wander(n: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Slow drift (about 4 cents) and fine jitter (about 1 cent) of a human voice."""
    window = np.hanning(81)
    slow = np.convolve(rng.standard_normal(n + 80), window / np.linalg.norm(window), "valid")
    fine = np.convolve(rng.standard_normal(n + 2), [0.25, 0.5, 0.25], "valid")
    return np.asarray(4.0 * slow + 1.5 * fine)


def _phrase_cents(
    time_s: NDArray[np.float64],
    notes: list[SungNote],
    phones: list[SungPhone],
    rng: np.random.Generator,
) -> NDArray[np.float64]:
    """The pitch of one phrase in cents (100 times MIDI) at every frame."""
    levels = [100.0 * n.midi + n.detune_cents for n in notes]
    cents = levels[0] + _wander(len(time_s), rng)
    for before, level, note in zip(levels, levels[1:], notes[1:], strict=False):
        middle = note.vowel_on_s - 0.2 * note.glide_s
        cents += (level - before) * _glide(time_s, middle, note.glide_s)
    for note in notes:
        since = time_s - note.vowel_on_s
        if note.vibrato_hz:
            swell = np.clip((since - note.vibrato_delay_s) / 0.3, 0, 1)
            ebb = np.clip((note.vowel_off_s - time_s) / 0.08, 0, 1)
            phase = 2 * np.pi * note.vibrato_hz * (since - note.vibrato_delay_s)
            cents += note.vibrato_cents * swell * ebb * np.sin(phase)
        if note.scoop_cents:
            here = (time_s >= note.start_s) & (time_s <= note.vowel_off_s)
            cents -= here * note.scoop_cents * np.exp(-np.clip(since, 0, None) / 0.045)
        if note.fall_cents:
            cents -= note.fall_cents * np.clip((time_s - note.end_s + 0.09) / 0.09, 0, 1)
    for phone in phones:
        if phone.name in OBSTRUENTS:  # pitch dips while the air is held back
            middle, half = (phone.start_s + phone.end_s) / 2, (phone.end_s - phone.start_s) / 2
            inside = np.clip(1 - np.abs(time_s - middle) / half, 0, 1)
            cents -= 30.0 * np.sin(0.5 * np.pi * inside)
    return np.asarray(cents)


def perform(spoken: dict[int, list[SpokenPhone]], *, seed: int) -> Performance:
    """Sing the written melody: ``spoken`` holds the speech sounds of each phrase."""
    time_s = np.arange(round(DURATION_S / HOP_S) + 1, dtype=np.float64) * HOP_S
    f0_hz = np.zeros(len(time_s))
    notes: list[SungNote] = []
    phones: list[SungPhone] = []
    melody = written_melody()
    breaths = []
    for phrase in sorted({n.phrase for n in melody}):
        rng = np.random.default_rng([seed, phrase])
        written = [n for n in melody if n.phrase == phrase]
        sung, placed = _sing_phrase(written, spoken[phrase], first_note=len(notes), rng=rng)
        cents = _phrase_cents(time_s, sung, placed, rng)
        voiced = np.zeros(len(time_s), bool)
        for phone in placed:
            if phone.is_voiced:
                voiced |= (time_s >= phone.start_s) & (time_s < phone.end_s)
        f0_hz[voiced] = 440.0 * 2.0 ** ((cents[voiced] / 100.0 - 69.0) / 12.0)
        breaths.append(sung[0].start_s - 0.02)
        notes += sung
        phones += placed
    return Performance(tuple(notes), tuple(phones), time_s, f0_hz, tuple(breaths))


def sung_cents(performance: Performance, note: SungNote) -> NDArray[np.float64]:
    """Pitch over a note's steady part, in cents from its written pitch.

    The steady part leaves out 80 ms after the vowel's start and 60 ms before its end,
    or a quarter of the vowel on each side where the note is shorter than 0.32 s.
    """
    held_s = note.vowel_off_s - note.vowel_on_s
    head_s, foot_s = (0.08, 0.06) if held_s >= 0.32 else (held_s / 4, held_s / 4)
    time_s, f0_hz = performance.time_s, performance.f0_hz
    inside = (time_s >= note.vowel_on_s + head_s) & (time_s < note.vowel_off_s - foot_s)
    midi = 69.0 + 12.0 * np.log2(f0_hz[inside & (f0_hz > 0)] / 440.0)
    return np.asarray(100.0 * (midi - note.midi))
