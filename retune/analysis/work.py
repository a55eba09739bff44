"""What is known so far of a song that is being analyzed, and its notes, which come first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from retune.analysis.corrections import Draft, apply_corrections, silent_spans
from retune.analysis.guided import drafts_of, found_again, guided_notes
from retune.analysis.listened import Listened
from retune.analysis.note_trust import Heard
from retune.analysis.singer import beside_another
from retune.analysis.songnotes import SongNotes
from retune.analysis.unheard import unheard_spans, unheard_words
from retune.carriers.heard import PitchTrack
from retune.carriers.text import FROM_MIX

LATE_START_S = 8.0
NO_GUIDE = (
    "without a guide some notes may be wrong or missing: check them, those in doubt first, or "
    "give guide = a CSV (start_s,end_s,pitch), a MIDI file or a recording of the melody hummed or "
    "played"
)


@dataclass(kw_only=True)
class Work(SongNotes):
    """What is known so far: what was heard, and the notes of it as put right by hand."""

    listened: Listened
    tracks: Mapping[str, PitchTrack] = field(default_factory=dict)
    corrected: Sequence[Draft] | None = None
    joined: dict[str, frozenset[float]] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)

    @property
    def is_guided(self) -> bool:
        """Whether a person gave the melody of the mix, roughly or note by note."""
        return bool(self.listened.guide) or self.corrected is not None


def hear_notes(work: Work) -> None:
    """The notes of every stem, as put right by hand; they go into `work.drafts`."""
    for name in work.listened.notes:
        heard = _heard(work, name)
        drafts = drafts_of(heard)
        if work.song.stems[name].role == "mix" and work.corrected is not None:
            drafts = found_again(work.corrected, heard)
        else:
            drafts, told = apply_corrections(drafts, work.song.corrections, stem=name)
            work.warnings += told
        work.drafts[name] = beside_another(drafts, work.listened.singing.get(name))
        work.joined[name] = frozenset(n.start_s for n in heard if n.joined)
        if work.song.stems[name].role in ("melody", "harmony", "double"):
            work.warnings += unheard_words(name, _unheard(work, name, drafts))
        if not drafts and not work.song.stems[name].inside:
            work.warnings.append(f"stem {name}: no note was heard in it")
    for correction in work.song.corrections:
        if correction.stem not in work.drafts:
            work.warnings.append(
                f'correction "{correction.set}" at {correction.at_s:.2f} s was left out: stem '
                f"{correction.stem} is not read for notes"
            )
    _tell_late_starts(work)


def _heard(work: Work, name: str) -> tuple[Heard, ...]:
    """The notes of one stem; of a mix whose notes were put right, those found again by them."""
    if work.song.stems[name].role == "mix":
        told = "" if work.is_guided else f"; {NO_GUIDE}"
        work.warnings.append(f"stem {name}: {FROM_MIX}{told}")
        if work.corrected is not None:
            return guided_notes(work.tracks[name], work.corrected)
    return work.listened.notes[name]


def _unheard(work: Work, name: str, drafts: Sequence[Draft]) -> list[tuple[float, float]]:
    """Where a stem sounds without a note, but not where a person took one away or said that nobody
    sings."""
    silent = silent_spans(work.song.corrections, stem=name)
    known = [*drafts, *drafts_of(work.listened.notes[name])]
    known += [Draft(start_s, end_s, 0.0) for start_s, end_s in silent]
    return unheard_spans(work.tracks[name], known)


def _tell_late_starts(work: Work) -> None:
    """A part that enters late is common; one that also ends after all others, by half as much or
    more, may lie late as a whole."""
    stems = work.song.stems
    spans = {
        name: (drafts[0].start_s, drafts[-1].end_s)
        for name, drafts in work.drafts.items()
        if drafts and not stems[name].inside
    }
    for name, (first, last) in spans.items():
        others = [span for other, span in spans.items() if other != name]
        if not others:
            continue
        late = first - min(start for start, _ in others)
        if late > LATE_START_S and last - max(end for _, end in others) > 0.5 * late:
            work.warnings.append(
                f"stem {name} starts at {first:.1f} s, {late:.0f} s after the others, and ends "
                "after them: check that all stems begin at the same moment"
            )
