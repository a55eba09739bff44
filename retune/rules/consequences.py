"""What a plan does to the music, in words. A consequence never stops a render.

Kinds: clash, new-chord, role, parallel, leap, early-rest, range, shift-size, leading-tone.
"""

from __future__ import annotations

from retune.carriers.changes import Consequence
from retune.rules.harmony_effects import (
    chords_that_stay,
    clashes,
    early_rests,
    new_chords,
    role_changes,
)
from retune.rules.line_effects import leading_tones, leaps, parallels, ranges, shift_sizes
from retune.rules.scene import Scene
from retune.rules.time_effects import anticipations, late_rests, suspensions

CHECKS = (
    clashes,
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


def consequences_of(scene: Scene) -> tuple[Consequence, ...]:
    """Everything that follows from the plan of a scene, in order of time; what holds of several
    notes of a bar in the same words is said once."""
    found = sorted(
        (item for check in CHECKS for item in check(scene)),
        key=lambda item: (item.at_s, item.kind),
    )
    first = {(item.kind, item.text): item for item in reversed(found)}
    return tuple(item for item in found if first[item.kind, item.text] is item)
