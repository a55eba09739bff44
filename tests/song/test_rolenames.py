"""Names of stems as studios write them, and the part each plays (common practice, no source)."""

from __future__ import annotations

import pytest

from retune.song.rolenames import guessed_role

NAMES = {
    "melody": ("Vox", "Lead Vox", "LeadVocal", "leadvocals", "01_Ld Voc", "Main Vocal", "vocal",
               "Voice", "LV", "Topline", "melody", "Vocal (dry)", "Lead", "VOX_comp_03"),
    "double": ("Lead Dbl", "Vocal Double", "Vox Dbl L", "LeadDbl", "Vox DT", "vocaldouble",
               "Lead Vocal Doubles"),
    "harmony": ("BV 1", "BV1", "BVs", "BGV_Hi", "Harm hi", "Harmony Low", "Backing Vocals",
                "Background Vox 2", "Harm Dbl", "Alto", "Bass Vocal", "Oohs"),
    "bass": ("05 Bass DI", "Bass", "Synth Bass", "Bass Gtr", "Double Bass", "Upright Bass",
             "Sub Bass", "808", "ElectricBass", "bassamp"),
    "unpitched": ("Kick", "Kick In", "Bass Drum", "Snare Top", "HiHat", "OH L", "Drums", "Perc 2",
                  "Tambourine", "drumloop", "03 Tom Lo", "BD"),
    "backing": ("Synth Lead", "Lead Gtr", "Gtr Solo", "Keys", "Piano", "Strings", "Pad", "harp",
                "Harmonica", "Bassoon", "Gtr Dbl", "Choir", "Stem 7", "guitarlead", "Vln 1"),
}  # fmt: skip


@pytest.mark.parametrize(
    ("name", "role"), [(name, role) for role, names in NAMES.items() for name in names]
)
def test_a_name_tells_the_part(name: str, role: str) -> None:
    assert guessed_role(name) == role
