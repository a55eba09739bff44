# ruff: noqa: E501 (a case a line)
"""Song files that cannot be used: one line with file, line, key, what was given, and the fix."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hostile_songs import SONG, refused, spoiled

MUSIC = "[music]\n"


def music(line: str) -> str:
    """A line more under [music]."""
    return spoiled(MUSIC, MUSIC + line + "\n")


def chart(text: str) -> str:
    return spoiled('"C | G7 | C | C"', text)


def phrases(text: str) -> str:
    return spoiled('"every 2 bars"', text)


def correction(form: str, *, stem: str = "vocal", at_s: str = "2.5") -> str:
    return f'{SONG}[[corrections]]\nstem = "{stem}"\nat_s = {at_s}\nset = {form}\n'


CASES: dict[str, tuple[str | bytes, str]] = {
    # the file as a whole
    "empty": ("", "song.toml: format is missing; add format = 1"),
    "white space": (" \n\n", "song.toml: format is missing; add format = 1"),
    "cut in a string": (SONG[:25], "song.toml: not valid TOML: Unterminated string; the file ends too early: is it cut off?"),
    "no stems table": ("format = 1\n", "song.toml: stems is missing; add [stems.vocal]"),
    "a stem without a role": (spoiled('role = "bass"', ""), 'song.toml, line 7: stems.bass: role is missing; add role = "melody"'),
    "NUL bytes": (SONG.encode().replace(b"CC0", b"C\0C"), "song.toml, line 3: a NUL byte; this is not a text file"),
    "Latin-1": (SONG.replace("CC0", "Gr\xfc\xdfe").encode("latin-1"), "song.toml, line 3: not UTF-8; save the file as UTF-8"),
    "UTF-16": (SONG.encode("utf-16"), "song.toml, line 1: "),
    "a page of the web": ("<!DOCTYPE html>\n<html></html>\n", "song.toml, line 1: not valid TOML"),
    "6 MB": (SONG + "#" * 6_000_000, "song.toml is larger than 1 MB; give a song file"),
    "nested 5000 deep": ("format = " + "[" * 5000, "song.toml: not valid TOML: nested too deeply"),
    "a key twice": (spoiled('rights = "CC0"', 'title = "x"'), "line 3: not valid TOML: Cannot overwrite a value; the key stands there twice, keep one"),
    "a table twice": (SONG + "[music]\n", "not valid TOML: Cannot declare ('music',) twice"),
    # format, keys and types
    "format of the future": (spoiled("format = 1", "format = 2"), "line 1: format: 2 is newer than this retune, which reads format = 1"),
    "unknown key": (spoiled("rights", "right"), 'song.toml, line 3: right: unknown key; did you mean "rights"?'),
    "unknown key of a stem": (spoiled('role = "bass"', 'role = "bass"\ngain = 3'), 'line 10: stems.bass.gain: unknown key; did you mean "gain_db"?'),
    "text for a number": (music('tuning_hz = "440"'), 'line 11: music.tuning_hz: "440" must be a number from 380 to 500 Hz, without quotes'),
    "number for text": (spoiled('"C major"', "7"), "music.key: 7 must be a string in quotes"),
    "truth for a number": (music("tuning_hz = true"), "music.tuning_hz: true must be a number from 380 to 500 Hz"),
    "a date for a time": (spoiled("first_downbeat_s = 0", "first_downbeat_s = 1979-05-27"), "music.first_downbeat_s: datetime.date(1979, 5, 27) must be a number"),
    "text for a table": (spoiled('[stems.bass]\nfile = "bass.wav"\nrole = "bass"', ""). replace("[stems.vocal]", "[stems]\nbass = 3\n[stems.vocal]"), "stems.bass: 3 must be a table"),
    "no stems": ('format = 1\n[stems]\n', "song.toml, line 2: stems: names no stem; add [stems.vocal]"),
    "a rule word names a stem": (spoiled("[stems.bass]", "[stems.Third]"), '"Third" has a meaning of its own and cannot name a stem; rename it'),
    "a path names a stem": (spoiled("[stems.bass]", '[stems."../x"]'), '"../x" cannot name a stem; use a letter, then letters, digits, - or _'),
    "a path names a variant": (spoiled("[variants.home]", '[variants."../x"]'), '"../x" cannot name a variant'),
    "stems that differ by capitals": (spoiled("[stems.bass]", "[stems.VOCAL]"), 'differs from "vocal" only by capitals, which not every disk keeps apart; rename one'),
    "variants that differ by capitals": (SONG + '[variants.HOME]\nrules = ["keep highest note"]\n', 'differs from "home" only by capitals'),
    # numbers
    "huge number": (spoiled("tempo_bpm = 120", "tempo_bpm = 1" + "0" * 400), "a number of more than 400 digits"),
    "5000 digits": (spoiled("tempo_bpm = 120", "tempo_bpm = 9" + "0" * 5000), "a number of more than 400 digits"),
    "infinity": (spoiled("tempo_bpm = 120", "tempo_bpm = inf"), "music.tempo_bpm: inf is out of range; must be a number from 20 to 400 beats a minute"),
    "not a number": (spoiled("first_downbeat_s = 0", "first_downbeat_s = nan"), "music.first_downbeat_s: nan is out of range; must be a number from 0 to 86400 seconds"),
    "negative time": (spoiled("first_downbeat_s = 0", "first_downbeat_s = -0.5"), "music.first_downbeat_s: -0.5 is out of range; must be a number from 0 to 86400 seconds"),
    "negative tempo": (spoiled("tempo_bpm = 120", "tempo_bpm = -120"), "music.tempo_bpm: -120 is out of range"),
    "a gain of 999 dB": (spoiled('role = "bass"', 'role = "bass"\ngain_db = 999'), "stems.bass.gain_db: 999 is out of range; must be a number from -60 to 60 dB"),
    "downbeats that fall": (spoiled("first_downbeat_s = 0", "downbeats_s = [0, 2, 1]"), "music.downbeats_s entry 3: 1 does not come after 2; downbeats must rise"),
    "downbeat past the end": (spoiled("first_downbeat_s = 0", "first_downbeat_s = 99"), "song.toml, line 14: music.first_downbeat_s: 99 s is past the end of the song (8.00 s); give the time of its first downbeat"),
    "downbeats past the end": (spoiled("first_downbeat_s = 0", "downbeats_s = [80, 90]"), "song.toml, line 14: music.downbeats_s: 80 s is past the end of the song (8.00 s)"),
    # music
    "a meter of none": (spoiled('"4/4"', '"0/4"'), 'music.meter: "0/4" is not a meter; write beats over a note value, as "3/4"'),
    "an unknown key": (spoiled('"C major"', '"H major"'), "music.key: "),
    "a key change before its key": (music('keys = [["3:1", "G major"], ["2:1", "F major"]]'), "music.keys entry 2: comes at or before the change of key above it; sort them"),
    "a key change that is nowhere": (music('keys = [["99:1", "G major"]]'), "music.keys entry 1: 99:1 is not in the song: bars 0 to 4, beats 1 to 4"),
    "two ways of downbeats": (music("downbeats_s = [0, 2]"), "music.first_downbeat_s: downbeats_s is given too; keep one of the two"),
    # chords
    "chords that do not fill": (chart('"C | G7 C F | C"'), 'song.toml, line 15: music.chords: bar 2 ("G7 C F"): 3 entries do not divide 4 beats evenly; hold beats with ".", such as "G7 C F ."'),
    "too many chords": (chart('"C D E F G"'), 'bar 1 ("C D E F G") has 5 entries for 4 beats; leave some out'),
    "an unknown chord": (chart('"C | Hmaj7"'), 'music.chords: bar 2 ("Hmaj7"): "Hmaj7" is not a chord'),
    "an unknown chord where no bar is known": (spoiled("tempo_bpm = 120\n", "").replace('"C | G7 | C | C"', '"C | Xx"'), 'song.toml, line 14: music.chords: bar 2 ("Xx"): "Xx" is not a chord: use a lead-sheet name (Bb, Gm7, F7/A), a Harte label (Bb:min7), a Roman numeral (V7) or N.C. (line 1, column 5 of the chart)'),
    "an empty bar": (chart('"C | | C"'), 'music.chords: bar 2 is empty; write "-" to repeat the bar before'),
    "a repeat that never ends": (chart('"|: C | G"'), 'music.chords: the repeat from bar 1 is not closed with ":|"'),
    "a million repeats": (chart('"|: C :| x1000000"'), "music.chords: bar 1: a passage plays 1 to 64 times"),
    "repeats of repeats": (chart('"' + "|: C :| x64 " * 200 + '"'), "music.chords: more than 10000 bars; "),
    # phrases
    "overlapping phrases": (phrases("[[0, 4], [3.5, 8]]"), "music.phrases entry 2: starts at 3.5 s, before the phrase above it ends (4 s); phrases must rise and not overlap"),
    "a phrase backwards": (phrases("[[4, 1]]"), "music.phrases entry 1: ends at 1 s, not after its start at 4 s"),
    "a phrase before time": (phrases("[[-1, 4]]"), "music.phrases entry 1: -1 is out of range; must be a number from 0 to 86400 seconds"),
    "phrases past the end": (phrases("[[0, 4], [90, 95]]"), "music.phrases entry 2: 90 s is past the end of the song (8.00 s)"),
    "a pickup longer than a bar": (phrases('"every 2 bars, pickup 9 beats"'), "song.toml, line 16: music.phrases: a pickup of 9 beats is no shorter than a bar of 4; give less than 4 beats"),
    "phrases in other words": (phrases('"each 4 bars"'), 'music.phrases: "each 4 bars" is not known; write "auto", "every 4 bars"'),
    # paths
    "out of the folder": (spoiled('"bass.wav"', '"../bass.wav"'), "stems.bass.file: '../bass.wav' leaves the song's folder; move the file into it"),
    "an absolute path": (spoiled('"bass.wav"', '"/etc/passwd"'), "stems.bass.file: '/etc/passwd' is absolute; give a path inside the song's folder"),
    "a drive": (spoiled('"bass.wav"', '"C:/bass.wav"'), "'C:/bass.wav' is absolute"),
    "backslashes": (spoiled('"bass.wav"', '"..\\\\bass.wav"'), "holds a backslash; write folders with \"/\""),
    "the home folder": (spoiled('"bass.wav"', '"~/bass.wav"'), "'~/bass.wav' is absolute"),
    "a link that leads out": (spoiled('"bass.wav"', '"out/bass.wav"'), "'out/bass.wav' leads out of the song's folder; move the file into it"),
    "a name of 5000 letters": (spoiled('"bass.wav"', '"' + "x" * 5000 + '"'), "stems.bass.file: "),
    "a NUL in a name": (spoiled('"bass.wav"', '"a\\u0000b"'), "stems.bass.file: \"a?b\" holds a control character; remove it"),
    # variants and corrections
    "no rules": (spoiled('["move phrase-ending degree 2 to degree 1"]', "[]"), "variants.home.rules: needs 1 or more rules"),
    "rules as one text": (spoiled('["move phrase-ending degree 2 to degree 1"]', '"keep highest note"'), 'variants.home.rules: "keep highest note" must be a list of rules in square brackets'),
    "a correction of no stem": (correction('"drop"', stem="flute"), 'corrections entry 1.stem: no stem is called "flute"; there are vocal, bass'),
    "a correction in other words": (correction('"delete"'), 'corrections entry 1.set: "delete" is not a correction; use pitch F4'),
    "a correction before time": (correction('"drop"', at_s="-1"), "corrections entry 1.at_s: -1 is out of range"),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_a_song_file_that_cannot_be_used(
    case: str, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    content, message = CASES[case]
    os.symlink(home.parent, home / "out")
    data = content if isinstance(content, bytes) else content.encode()
    (home / "song.toml").write_bytes(data)
    said = refused(capsys, home, "analyze", home / "song.toml")
    assert "song.toml" in said
    assert message in said
    assert len(said) < 600


SIDE: dict[str, tuple[str, str, bytes, str]] = {
    "a guide of no notes": ("guide", "melody.csv", b"start_s,end_s,pitch\n", "the guide holds no note; write start_s,end_s,pitch lines"),
    "a guide of words": ("guide", "melody.csv", b"one,two,C4\n", 'melody.csv line 1: start_s "one" is not a number of seconds'),
    "a guide before time": ("guide", "melody.csv", b"-1,2,C4\n", "melody.csv line 1: -1 to 2 s is no span"),
    "a guide of huge times": ("guide", "melody.csv", b"1,1e300,C4\n", "melody.csv line 1: end_s is 1e+300 s; a song lasts at most 86400 s"),
    "a guide of one endless cell": ("guide", "melody.csv", b"1,2,C4," + b"x" * 200_000, "melody.csv line 1: does not read as CSV (field larger than field limit (131072)); shorten or mend it"),
    "a guide that is no MIDI file": ("guide", "melody.mid", b"RIFF....", "melody.mid: it is no MIDI file (it does not begin with MThd)"),
    "a guide that is cut off": ("guide", "melody.mid", b"MThd\0\0\0\6\0\0\0\1\0\x60MTrk\0\0\0\x40\0\x90", "the MIDI file ends in the middle of an event; export it again"),
    "a guide of another kind": ("guide", "melody.xml", b"<xml/>", '"melody.xml" must be a CSV (start_s,end_s,pitch)'),
    "a chart file backwards": ("chords_file", "song.lab", b"0 2 C\n3 2 G\n", "song.lab, line 2: 3 to 2 s is no span; a chord ends after it starts"),
    "a chart file that overlaps": ("chords_file", "song.lab", b"0 2 C\n1 3 G\n", "song.lab, line 2: begins before the chord above has ended"),
    "a chart file of words": ("chords_file", "song.lab", b"zero two C\n", 'song.lab, line 1: "zero two C" is not "start end label"'),
    "a chart file of bytes": ("chords_file", "song.lab", b"0 2 C\n\xff\xfe", "song.lab, line 2: not UTF-8; save the file as UTF-8"),
}  # fmt: skip


@pytest.mark.parametrize("case", SIDE)
def test_a_guide_or_chart_file_that_cannot_be_used(
    case: str, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    key, name, data, message = SIDE[case]
    text = SONG.replace('chords = "C | G7 | C | C"\n', "").replace('"melody"', '"mix"')
    (home / "song.toml").write_text(text.replace(MUSIC, f'{MUSIC}{key} = "{name}"\n'))
    (home / name).write_bytes(data)
    said = refused(capsys, home, "analyze", home / "song.toml")
    assert name in said
    assert message in said
