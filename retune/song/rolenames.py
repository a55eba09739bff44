"""What part a stem plays, guessed from its name as studios write it (common practice, no
source)."""

from __future__ import annotations

import re
from functools import lru_cache

from retune.carriers.heard import Role


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split())


_DRUMS = _set("""
    kick kicks kik kck kd bd snare snares sn snr sd hat hats hihat hihats hh oh ohs overhead
    overheads ovhd ovhds ovh tom toms cym cyms cymbal cymbals crash ride splash drum drums drm drms
    perc percs percussion clap claps shaker shakers shkr tamb tambo tambourine brush brushes kit
    cajon conga congas bongo bongos djembe timpani timp cassa rim rimshot snap snaps stomp stomps
    cowbell clave claves triangle woodblock
    """)
# Drums only where nothing else is named: "Piano Room", "Gtr Loop".
_LIKE_DRUMS = _set("room rooms beat beats loop noise riser impact stick sticks click")
_PLAYED = _set("""
    synth synths syn guitar guitars gtr gtrs gt egtr agtr acgtr acoustic eg egt ag rhythm strat tele
    nylon dobro steel slide key keys piano pianos pno ep organ hammond rhodes wurli wurly clav
    celesta pad pads string strings str strs brass horn horns hrn hrns trumpet trumpets tpt trombone
    trombones tbn tuba sax flute flutes clarinet oboe violin violins vln vlns viola violas vla celli
    cello harp mandolin mando banjo uke ukulele accordion harmonica harmonium bells glock xylo vibes
    marimba kalimba bassoon strum strums pluck plucks arp arps stab stabs chords choir orchestra
    orch band mellotron drone drones texture textures fx sfx
    """)
# What rings on of a part, and has no line to be moved.
_TAILS = _set("reverb reverbs verb verbs rvb delay delays dly echo ambience ambient amb")
_BASS = _set("bass bas bs bss sub subs subbass 808 contrabass upright fretless")
# They have a bass of their own: "Bass Clarinet".
_LOW_PLAYED = _set("clarinet flute trombone tbn sax oboe harmonica")
_SUNG = _set("""
    vox vx voc vocs vocal vocals voice voices singer sung sing lv lvox rap raps adlib adlibs
    """)
_DOUBLE = _set("dbl dbls double doubles doubled doubler dub dubs dt adt thick")
_BEHIND = _set("""
    backing background bg back bk bkg bu choir crowd group stack stacks hi high lo low 3rd 5th
    """)
_HARMONY = _set("""
    bv bvs bgv bgvs bvox bkgv bkgvs bgvox harm harms harmony harmonies soprano sop alto tenor
    baritone ooh oohs aah aahs gang gangs
    """)
_LEAD = _set("lead ld melody mel topline tune solo main")
# They say nothing of the part, but are written together with what does: "SnrBot", "BGVL".
_BESIDE = _set("l r in out top bot btm amp di mic st comp dry take fl rack floor bus bip over")
_KNOWN = (
    _DRUMS | _LIKE_DRUMS | _PLAYED | _TAILS | _BASS | _SUNG | _DOUBLE | _BEHIND | _HARMONY | _LEAD
) | _BESIDE
# Where they are no row of known words ("leadvocalxy"): the first that is found.
_WITHIN: tuple[tuple[Role, str], ...] = (
    ("unpitched", "drum|perc|brush|kick|snare|cymbal"),
    ("double", "dbl|double"),
    ("harmony", "harmon(?:y|ies)|backingvo|bgvox"),
    ("bass", "bass(?!oon)"),
    ("melody", "voc|vox|voice|lead|melody|sing|solo"),
)
_WORD = re.compile(r"\d(?:rd|th)|[a-z]+|\d+")
_HUMP = re.compile(r"(?<=[a-z])(?=[A-Z])")


def named_role(name: str) -> Role | None:
    """The role that a stem's name speaks of (the name of its file, without the suffix); None where
    it says nothing, as "Audio 3".

    >>> named_role("Lead Dbl"), named_role("05 Bass DI"), named_role("Bass Drum")
    ('double', 'bass', 'unpitched')
    >>> named_role("LEADGTR_02-bip"), named_role("bgvl (Comp)"), named_role("Vox Verb")
    ('backing', 'harmony', 'backing')
    """
    words = _words_of(name)
    is_sung = bool(words & _SUNG)
    if words & _DRUMS and not is_sung:
        return "unpitched"
    if words & _TAILS or (words & {"pad", "pads"} and not words & _DRUMS):
        return "backing"
    if words & _BASS and not words & _LOW_PLAYED:
        return "harmony" if is_sung else "bass"
    if words & _PLAYED and not is_sung:
        return "backing"
    return _sung_role(words) or _written_together(name.lower(), words)


def leads_by_name(name: str) -> bool:
    """True where a name says that its stem is the one that leads: "Lead Vox", "Main Vocal"."""
    return bool(_words_of(name) & (_LEAD | {"lv", "lvox"})) or "lead" in name.lower()


def _sung_role(words: frozenset[str]) -> Role | None:
    is_sung = bool(words & _SUNG)
    if words & _HARMONY or (is_sung and words & _BEHIND and not words & _LEAD):
        return "harmony"
    if words & _DOUBLE:
        return "double"
    return "melody" if is_sung or words & _LEAD else None


def _written_together(name: str, words: frozenset[str]) -> Role | None:
    if words & _LIKE_DRUMS:
        return "unpitched"
    if any(word in name for word in _PLAYED if len(word) > 4):
        return "backing"
    return next((role for role, within in _WITHIN if re.search(within, name)), None)


def _words_of(name: str) -> frozenset[str]:
    """Its words in small letters, those written together too."""
    words = _WORD.findall(_HUMP.sub(" ", name).lower())
    return frozenset(part for word in words for part in _parts(word))


@lru_cache(maxsize=1024)
def _parts(word: str) -> tuple[str, ...]:
    """The known words that stand in a row in one of at most 24 letters, else itself."""
    if word in _KNOWN or not word or len(word) > 24:
        return (word,)
    for cut in range(len(word) - 1, 0, -1):
        rest = _parts(word[cut:]) if word[:cut] in _KNOWN else ()
        if rest and all(part in _KNOWN for part in rest):
            return (word[:cut], *rest)
    return (word,)
