"""What part a stem plays, guessed from its name as studios write it (common practice, no
source)."""

from __future__ import annotations

import re

from retune.carriers.heard import Role


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split())


_DRUMS = _set("""
    kick kik kck kd bd snare sn snr sd hat hats hihat hihats hh oh ohs overhead overheads tom
    toms cymbal cymbals crash ride drum drums drm perc percussion clap claps shaker tamb tambourine
    brush brushes kit cajon conga congas bongo bongos beat beats rim snap snaps cowbell click
    """)
_PLAYED = _set("""
    synth syn guitar guitars gtr gtrs gt egtr agtr acgtr key keys piano pno organ rhodes wurli
    pad pads string strings str brass horn horns trumpet tpt trombone sax flute clarinet oboe violin
    vln viola vla cello harp mandolin banjo uke ukulele accordion harmonica bells marimba vibes
    bassoon strum pluck arp choir orchestra fx sfx reverb verb delay ambience
    """)
_BASS = _set("bass bas bs sub subbass 808 contrabass upright")
_SUNG = _set("vox voc vocal vocals vocs voice voices singer sung sing lv lvox")
_DOUBLE = _set("dbl dbls double doubles doubled dub dubs dt adt")
_BEHIND = _set("backing background bg back choir gang group")
_HARMONY = _set("""
    bv bvs bgv bgvs bvox bkg bgvox harm harms harmony harmonies soprano alto tenor baritone ooh
    oohs aah aahs
    """)
_LEAD = _set("lead ld melody mel topline tune solo main")
# Where words are written together ("leadvocal"): the first that is found.
_WITHIN: tuple[tuple[Role, str], ...] = (
    ("unpitched", "drum|perc|brush|kick|snare|cymbal"),
    ("double", "dbl|double"),
    ("harmony", "harmon(?:y|ies)|backingvo|bgvox"),
    ("bass", "bass(?!oon)"),
    ("melody", "voc|vox|voice|lead|melody|sing|solo"),
)
_WORD = re.compile(r"[a-z]+|\d+")
_HUMP = re.compile(r"(?<=[a-z])(?=[A-Z])")


def named_role(name: str) -> Role | None:
    """The role that a stem's name speaks of (the name of its file, without the suffix); None where
    it says nothing, as "Audio 3".

    >>> named_role("Lead Dbl"), named_role("05 Bass DI"), named_role("Bass Drum")
    ('double', 'bass', 'unpitched')
    """
    words = set(_WORD.findall(_HUMP.sub(" ", name).lower()))
    is_sung = bool(words & _SUNG)
    if words & _DRUMS and not is_sung:
        return "unpitched"
    if words & _BASS:
        return "harmony" if is_sung else "bass"
    if words & _PLAYED and not is_sung:
        return "backing"
    if words & _HARMONY or (is_sung and words & _BEHIND):
        return "harmony"
    if words & _DOUBLE:
        return "double"
    if is_sung or words & _LEAD:
        return "melody"
    return _written_together(name.lower())


def leads_by_name(name: str) -> bool:
    """True where a name says that its stem is the one that leads: "Lead Vox", "Main Vocal"."""
    words = set(_WORD.findall(_HUMP.sub(" ", name).lower()))
    return bool(words & (_LEAD | {"lv", "lvox"})) or "lead" in name.lower()


def _written_together(name: str) -> Role | None:
    if any(word in name for word in _PLAYED if len(word) > 4):
        return "backing"
    return next((role for role, within in _WITHIN if re.search(within, name)), None)
