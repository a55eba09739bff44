"""What may stand in a song file: one table of fields, each with its checker."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from retune.carriers.heard import ROLES
from retune.carriers.text import lost_on_windows
from retune.song.history import VERSION
from retune.song.limits import (
    LEAST_BAR_S,
    MAX_CORRECTIONS,
    MAX_DOWNBEATS,
    MAX_RULES,
    MAX_STEMS,
    MAX_VARIANTS,
)
from retune.song.songbars import is_meter_list, is_tempo_list, is_tempo_map
from retune.song.songvalues import (
    FOLLOW,
    TEMPO,
    TIME,
    TUNING,
    Checker,
    Where,
    ascending,
    auto_or,
    is_correction,
    is_file,
    is_guide,
    is_key,
    is_key_list,
    is_line,
    is_list,
    is_meter,
    is_number,
    is_passage,
    is_phrases,
    is_text,
    is_title,
    one_of,
    shown,
)
from retune.song.songwords import is_lyrics, is_lyrics_file, is_section_list
from retune.sound.files import case_clash

FORMAT = 1
NAME = re.compile(r"[A-Za-z][A-Za-z0-9_-]*")
MAX_NAME = 64
# Every word of the rule grammar, its number words and its joining words.
_WORDS = (
    "move shift keep to in over from except where it is not a an the and or of at last first "
    "every highest lowest longest phrase-ending phrase-endings phrase-opening phrase-openings "
    "phrase-downbeat phrase-downbeats note notes degree degrees tonic chord chords tone tones "
    "root third fifth seventh second fourth sixth unison nearest above below up down other than "
    "phrase phrases bar bars semitone semitones cent cents step steps scale octave octaves "
    "hold shorten delay bring suspend by longer earlier "
    "flat sharp with without slow fast glide percent vibrato moved formant formants "
    "one two three four five six seven eight nine ten eleven twelve "
    "phrase-penultimate phrase-antepenultimate phrase-pickup phrase-second phrase-third "
    "phrase-fourth song-highest song-lowest song-longest song-shortest shortest "
    "bar-opening bar-ending bar-highest bar-lowest bar-longest bar-shortest "
    "suspension suspensions retardation retardations appoggiatura "
    "appoggiaturas anticipation anticipations passing neighbour changing escape pedal unresolved "
    "its resolution before after ending section cadence cadences on beat beats word penultimate "
    "odd even final perfect imperfect authentic half phrygian plagal deceptive"
)
RULE_WORDS = frozenset(_WORDS.split())
STEM_RESERVED = frozenset({"mix", "original"})
VARIANT_RESERVED = frozenset({"original", "matched-control"})


_TABLES = {
    "stems": "[stems.NAME]",
    "music": "[music]",
    "variants": "[variants.NAME]",
    "corrections": "[[corrections]]",
}


@dataclass(frozen=True)
class Field:
    """One key of a table: its checker, what stands for it when it is missing, and, where it must
    be given, a line that gives it."""

    check: Checker
    default: Any = None
    is_required: bool = False
    example: str = ""


def is_table(fields: Mapping[str, Field]) -> Checker:
    """A checker of tables that hold these keys and no others; returns a dict of all fields."""

    def check(value: Any, where: Where) -> dict[str, Any]:
        if not isinstance(value, dict):
            where.fail(f"{shown(value)} must be a table, as [{where.name}]")
        for key in value:
            if key in _TABLES and key not in fields and where.name:
                where.at(key).fail(
                    f"stands below [{where.name}] and is no part of it; write a table "
                    f"{_TABLES[key]}, or put the line above the first table"
                )
            if key not in fields:
                where.at(key).fail(f"unknown key; {_offer(key, list(fields))}")
        for key, wanted in fields.items():
            if wanted.is_required and key not in value:
                where.fail(f"{key} is missing; add {wanted.example or 'it'}")
        return {
            key: wanted.check(value[key], where.at(key)) if key in value else wanted.default
            for key, wanted in fields.items()
        }

    return check


def _offer(word: str, known: Sequence[str]) -> str:
    """The nearest of the known words, or all of them."""
    from difflib import get_close_matches

    begun = [name for name in known if name.startswith(f"{word.lower()}_")]
    near = begun or get_close_matches(word.lower(), known, n=1, cutoff=0.6)
    return f'did you mean "{near[0]}"?' if near else f"known here: {', '.join(known)}"


def named_tables(
    fields: Mapping[str, Field], *, what: str, reserved: frozenset[str], at_most: int
) -> Checker:
    """A checker of tables of tables, `[stems.NAME]`: the names, then each table."""

    def check(value: Any, where: Where) -> dict[str, dict[str, Any]]:
        if not isinstance(value, dict):
            where.fail(f"{shown(value)} must be tables, as [{where.name}.NAME]")
        if len(value) > at_most:
            where.fail(f"more than {at_most} {what}s; leave some out")
        for name in value:
            _check_name(name, where.at(name), what=what, reserved=reserved)
        clash = case_clash(value)
        if clash:
            where.at(clash[1]).fail(
                f'differs from "{clash[0]}" only by capitals, which not every disk keeps apart; '
                "rename one"
            )
        table = is_table(fields)
        return {name: table(content, where.at(name)) for name, content in value.items()}

    return check


def _check_name(name: str, where: Where, *, what: str, reserved: frozenset[str]) -> None:
    if not NAME.fullmatch(name) or len(name) > MAX_NAME:
        where.fail(
            f"{shown(name)} cannot name a {what}; use a letter, then letters, digits, - or _ "
            f"(at most {MAX_NAME})"
        )
    if name.lower() in reserved:
        where.fail(f'"{name}" has a meaning of its own and cannot name a {what}; rename it')
    reason = lost_on_windows(name)
    if reason:
        where.fail(f'"{name}" {reason}; call the {what} "{name}-1"')


def is_sha256(value: Any, where: Where) -> str:
    """SHA-256 of a file, 64 hex digits."""
    line = is_line(value, where).lower()
    if not re.fullmatch("[0-9a-f]{64}", line):
        where.fail(f"{shown(line)} is no SHA-256; write its 64 hex digits, or leave it out")
    return line


VARIANT = {
    "about": Field(is_line, default=""),
    "rules": Field(is_list(is_line, of="rules", at_least=1, at_most=MAX_RULES), is_required=True),
}
STEM = {
    "file": Field(is_file, is_required=True, example='file = "vocal.wav"'),
    "role": Field(one_of(*ROLES), is_required=True, example='role = "melody"'),
    "gain_db": Field(is_number(-60.0, 60.0, "dB"), default=0.0),
    "when_melody_moves": Field(one_of(*FOLLOW)),
    "follow": Field(one_of(*FOLLOW)),  # its name before 1.0
    "voice": Field(is_file),
}
MUSIC = {
    "key": Field(auto_or(is_key, "auto"), default="auto"),
    "keys": Field(is_key_list, default=()),
    "meter": Field(auto_or(is_meter)),
    "meters": Field(is_meter_list, default=()),
    "tempo_bpm": Field(auto_or(TEMPO)),
    "tempos": Field(is_tempo_list, default=()),
    "tempo_map": Field(is_tempo_map),
    "first_downbeat_s": Field(auto_or(TIME)),
    "downbeats_s": Field(
        ascending(
            is_list(TIME, of="times", at_least=2, at_most=MAX_DOWNBEATS),
            "downbeats",
            least_s=LEAST_BAR_S,
        )
    ),
    "tuning_hz": Field(auto_or(TUNING)),
    "chords": Field(is_text),
    "chords_file": Field(is_file),
    "guide": Field(is_guide),
    "phrases": Field(is_phrases, default="auto"),
    "lyrics": Field(is_lyrics),
    "lyrics_file": Field(is_lyrics_file),
    "sections": Field(is_section_list, default=()),
}
CORRECTION = {
    "stem": Field(is_line, is_required=True),
    "at_s": Field(TIME, is_required=True),
    "set": Field(is_correction, is_required=True),
    "stem_sha256": Field(is_sha256, default=""),
}


def is_format(value: Any, where: Where) -> int:
    """The version of the file format; one that this program does not know is refused.

    Format N is what retune N.0 and every later version read (`docs/song-file.md`).
    """
    if isinstance(value, bool) or not isinstance(value, int) or not value >= 1:
        where.fail(f"{shown(value)} is not known; this retune reads format = {FORMAT}")
    if value > FORMAT:
        where.fail(
            f"{value} is newer than this retune, which reads format = {FORMAT}; "
            f"retune {value}.0 and later read it"
        )
    return value


def is_document(fields: Mapping[str, Field]) -> Checker:
    """A checker of a whole file: its format first, since a newer one may have other keys."""
    table = is_table(fields)

    def check(value: Any, where: Where) -> dict[str, Any]:
        if isinstance(value, dict) and "format" in value:
            is_format(value["format"], where.at("format"))
        return dict(table(value, where))

    return check


def is_version(value: Any, where: Where) -> str:
    """A version of retune, as in "1.0.0"."""
    line = is_line(value, where)
    if not VERSION.fullmatch(line):
        where.fail(f'{shown(line)} is no version; write one as "1.0.0", or leave heard_with out')
    return line


_FORMAT = Field(is_format, is_required=True, example=f"format = {FORMAT}")
_VARIANTS = named_tables(VARIANT, what="variant", reserved=VARIANT_RESERVED, at_most=MAX_VARIANTS)
SONG = {
    "format": _FORMAT,
    "heard_with": Field(is_version, default=""),
    "title": Field(is_title, default=""),
    "rights": Field(is_text, default=""),
    "passage": Field(is_passage),
    "stems": Field(
        named_tables(STEM, what="stem", reserved=RULE_WORDS | STEM_RESERVED, at_most=MAX_STEMS),
        is_required=True,
        example="[stems.vocal]",
    ),
    "music": Field(is_table(MUSIC)),
    "variants": Field(_VARIANTS, default={}),
    "corrections": Field(
        is_list(is_table(CORRECTION), of="corrections", at_most=MAX_CORRECTIONS), default=()
    ),
}
VARIANTS_FILE = {"format": _FORMAT, "variants": Field(_VARIANTS, is_required=True)}
