"""What a plan does to the music, in words. A consequence never stops a render.

Kinds: lost-rest, clash, new-chord, role, parallel, leap, early-rest, range, shift-size,
leading-tone, and of moves in time those of `time_effects`.
"""

from __future__ import annotations

from retune.carriers.changes import Consequence
from retune.rules.harmony_effects import (
    blue_notes,
    chords_that_stay,
    clashes,
    early_rests,
    lost_rests,
    new_chords,
    role_changes,
)
from retune.rules.line_effects import leading_tones, leaps, parallels, ranges, shift_sizes
from retune.rules.scene import Scene
from retune.rules.time_effects import anticipations, late_rests, suspensions

CHECKS = (
    lost_rests,
    clashes,
    blue_notes,
    chords_that_stay,
    new_chords,
    role_changes,
    parallels,
    leaps,
    early_rests,
    ranges,
    shift_sizes,
    leading_tones,
    suspensions,
    anticipations,
    late_rests,
)


_RANKS = {"lost-rest": 0, "clash": 1}


def consequences_of(scene: Scene) -> tuple[Consequence, ...]:
    """Everything that follows from the plan of a scene: a lost rest first, then clashes, then the
    rest in order of time; what holds of several notes of a bar in the same words is said once."""
    found = sorted(
        (item for check in CHECKS for item in check(scene)),
        key=lambda item: (_RANKS.get(item.kind, len(_RANKS)), item.at_s, item.kind),
    )
    first = {(item.kind, item.text): item for item in reversed(found)}
    return tuple(item for item in found if first[item.kind, item.text] is item)
