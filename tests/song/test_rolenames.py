"""Names of stems as studios write them, and the part each plays (common practice, no source)."""

from __future__ import annotations

import pytest

from retune.song.rolenames import leads_by_name, named_role

NAMES = {
    "melody": ("Vox", "Lead Vox", "LeadVocal", "leadvocals", "01_Ld Voc", "Main Vocal", "vocal",
               "Voice", "LV", "Topline", "melody", "Vocal (dry)", "Lead", "VOX_comp_03", "Vox 2",
               "LdVox_01", "Vx", "Adlib", "Ld Vox.dup1"),
    "double": ("Lead Dbl", "Vocal Double", "Vox Dbl L", "LeadDbl", "Vox DT", "vocaldouble",
               "Lead Vocal Doubles", "LVDbl", "Vox Doubler", "Lead Vox Thick"),
    "harmony": ("BV 1", "BV1", "BVs", "BGV_Hi", "Harm hi", "Harmony Low", "Backing Vocals",
                "Background Vox 2", "Harm Dbl", "Alto", "Bass Vocal", "Oohs", "BGV L", "BGVR",
                "Gang", "BackVox", "LdVoxHarm", "3rd Above Vox", "Vox Hi", "Vox Stack"),
    "bass": ("05 Bass DI", "Bass", "Synth Bass", "Bass Gtr", "Double Bass", "Upright Bass",
             "Sub Bass", "808", "ElectricBass", "bassamp", "Sub", "BassSynth", "Fretless"),
    "unpitched": ("Kick", "Kick In", "Bass Drum", "Snare Top", "HiHat", "OH L", "Drums", "Perc 2",
                  "Tambourine", "drumloop", "03 Tom Lo", "BD", "OHL", "SnrBot", "FlTom",
                  "Room L", "808 Kick", "Cym"),
    "backing": ("Synth Lead", "Lead Gtr", "Gtr Solo", "Keys", "Piano", "Strings", "Pad", "harp",
                "Harmonica", "Bassoon", "Gtr Dbl", "Choir", "guitarlead", "Vln 1", "Pno", "Ac Gtr",
                "Strings pad", "LeadGtr", "Bass Clarinet", "Tenor Sax", "Vox Verb", "Vox Pad",
                "Piano Room", "Rhythm", "EG 1"),
}  # fmt: skip


SAY_NOTHING = ("Stem 7", "Audio 3", "Track 07", "03", "take_2", "Audio-1_12", "Inst 2", "untitled")


@pytest.mark.parametrize("name", SAY_NOTHING)
def test_a_name_that_says_nothing_tells_no_part(name: str) -> None:
    assert named_role(name) is None


@pytest.mark.parametrize(
    ("name", "role"), [(name, role) for role, names in NAMES.items() for name in names]
)
def test_a_name_tells_the_part(name: str, role: str) -> None:
    assert named_role(name) == role


@pytest.mark.parametrize(
    "written",
    ["{}_01", "{}-bip", "{} (Comp)", "{}.bounced", "07 {}", "{} Take 2", "{} [dry]", "{}_v2 final"],
)
def test_takes_tracks_and_suffixes_say_nothing_of_the_part(written: str) -> None:
    for role, names in NAMES.items():
        for name in names:
            for case in (name, name.upper(), name.lower(), name.replace(" ", "_")):
                assert named_role(written.format(case)) == role, (written, case)


@pytest.mark.parametrize("name", ["Lead Vox", "LeadVocal", "Main Vocal", "01_Ld Voc", "LV"])
def test_a_name_tells_which_voice_leads(name: str) -> None:
    assert leads_by_name(name)
    assert not leads_by_name("Vox 2")
