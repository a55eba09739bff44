"""The lane picture as SVG: well formed, in its place, and saying what it shows."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from compare_sketches import five_sketches
from compare_songs import (
    BEAT_S,
    home_early,
    lantern,
    tension_of,
    without_theory,
)

from retune.carriers.changes import Edit, Plan
from retune.carriers.errors import UsageError
from retune.carriers.heard import Analysis, Key, Over
from retune.comparison.endings import phrase_endings
from retune.comparison.picture import View, lane_svg
from retune.comparison.picture_line import simplified, sung_notes
from retune.comparison.picture_rows import axis_steps
from retune.comparison.picture_style import text_width
from retune.comparison.picture_time import time_axis
from retune.comparison.picture_words import chord_name, roman_shown
from retune.theory.chords import parse_chord

NS = "{http://www.w3.org/2000/svg}"


def drawn(analysis: Analysis, plan: Plan | None = None, **options: object) -> ET.Element:
    options.setdefault("embed_fonts", False)
    return ET.fromstring(lane_svg(analysis, plan, View(**options)))  # type: ignore[arg-type]


def having(root: ET.Element, *css: str) -> list[ET.Element]:
    """Elements that carry all the classes."""
    return [e for e in root.iter() if set(css) <= set(e.get("class", "").split())]


def words(root: ET.Element) -> list[str]:
    return [e.text or "" for e in root.iter(f"{NS}text")]


def test_the_alternative_text_tells_the_story() -> None:
    analysis = lantern()
    root = drawn(analysis, home_early(analysis))
    title, description = root.find(f"{NS}title"), root.find(f"{NS}desc")
    assert title is not None
    assert description is not None
    assert title.text == "Lantern Song: the melody over 24 bars, one lane a scale degree"
    assert description.text is not None
    assert description.text.startswith("B♭ major, 3/4, 92 beats a minute, 6 phrases. Phrase 1 ends")
    assert "Phrase 2 ends in bar 8 on degree 2 over I: open." in description.text
    assert description.text.endswith(
        "The variant home-early moves 2 endings: phrase 2 from C5 (degree 2) to B♭4 (degree 1), "
        "now at rest; phrase 4 from C5 (degree 2) to B♭4 (degree 1), still open."
    )
    assert root.get("role") == "img"


def test_lanes_are_equal_in_cents_and_the_tonic_is_a_double_rule() -> None:
    root = drawn(lantern(), width=1280, font=16, key=False)
    (thin,) = {e.get("y1") for e in having(root, "hair")}
    (thick,) = {e.get("y1") for e in having(root, "home")}
    assert float(thin or 0) < float(thick or 0)
    ys = {
        e.text: float(e.get("y", 0))
        for e in root.iter(f"{NS}text")
        if e.get("text-anchor") == "end"
    }
    semitone = (ys["D5"] - ys["F5"]) / 3
    assert semitone == pytest.approx(1.15 * 16, abs=0.1)
    for name, below in (("E♭5", 2), ("C5", 5), ("B♭4", 7), ("A4", 8), ("F4", 12)):
        assert ys[name] - ys["F5"] == pytest.approx(below * semitone, abs=0.2), name


def test_solid_lanes_belong_to_the_chord() -> None:
    analysis = lantern(n_phrases=1)
    root = drawn(analysis)
    f4 = next(e for e in root.iter(f"{NS}text") if e.text == "F4")
    y = float(f4.get("y", 0)) - 0.34 * 18
    lane = [e for e in having(root, "lane") if abs(float(e.get("y1", 0)) - y) < 0.2]
    kinds = [
        ("off" in (e.get("class") or "")) for e in sorted(lane, key=lambda e: float(e.get("x1", 0)))
    ]
    # F belongs to B flat (bars 1 and 4), not to G minor and E flat; before bar 1 no chord sounds.
    assert kinds == [True, False, True, False]


def test_moved_notes_are_hollow_dashed_and_arrowed() -> None:
    analysis = lantern()
    root = drawn(analysis, home_early(analysis))
    assert len(having(root, "head", "hollow")) == 2
    assert len(having(root, "head", "v")) == 2
    assert len(having(root, "tip")) == 2
    assert len(having(root, "new")) == 2 + 1  # and the sample in the key
    assert "2 → 1" in words(root)
    assert "still open" in words(root)
    plain = drawn(analysis)
    assert not having(plain, "hollow")
    assert "variant" not in words(plain)
    assert len(having(plain, "head")) == len(analysis.melody.notes)  # type: ignore[union-attr]


def test_a_quiz_keeps_the_answers_off() -> None:
    analysis = lantern()
    root = drawn(analysis, home_early(analysis), quiz=True)
    text = ET.tostring(root, encoding="unicode")
    for answer in ("at rest", "open", "→", "variant", "ends here"):
        assert answer not in text
    assert not having(root, "shape")


def test_the_pickup_is_bar_0_and_systems_hold_whole_bars() -> None:
    analysis = lantern()
    root = drawn(analysis, width=900, systems=None)
    assert "0" in words(root)
    systems = having(root, "system")
    assert len(systems) == 2
    firsts = [float((s.get("data-times") or "").split()[0]) for s in systems]
    downbeats = analysis.bars.downbeats_s
    assert firsts == pytest.approx([downbeats[0] - BEAT_S, downbeats[12]], abs=0.001)
    shown = sum(len(having(s, "head")) for s in systems)
    assert shown == len(analysis.melody.notes)  # type: ignore[union-attr]


def test_a_line_in_which_nobody_sings_is_drawn_without_brackets() -> None:
    analysis = lantern()
    melody = analysis.melody
    assert melody is not None
    first = replace(melody, phrases=melody.phrases[:1])
    root = drawn(replace(analysis, stems={**analysis.stems, melody.name: first}), systems=3)
    named = [[w for w in words(s) if w.startswith("phrase 1")] for s in having(root, "system")]
    assert [len(found) for found in named] == [1, 0, 0]


def test_bars_can_be_chosen() -> None:
    analysis = lantern()
    root = drawn(analysis, bars=(5, 8))
    numbers = [t for t in words(root) if t.isdigit() and 4 <= int(t) <= 9]
    assert [n for n in numbers if n in "5678"][-4:] == ["5", "6", "7", "8"]
    assert not having(root, "close")  # the song goes on
    with pytest.raises(UsageError, match="bars 30-31 were asked for; the song has the bars 1-24"):
        lane_svg(analysis, view=View(bars=(30, 31)))
    with pytest.raises(UsageError, match="no bars are known"):
        lane_svg(without_theory(analysis), view=View(bars=(1, 2)))


def test_without_theory_there_are_pitches_and_seconds() -> None:
    root = drawn(without_theory(lantern()))
    text = words(root)
    assert "F4" in text
    assert "10 s" in text
    assert "chord" not in text
    assert "ending" not in text
    assert not having(root, "home")


def test_tension_is_dashed_only_where_it_differs() -> None:
    analysis = lantern()
    plan = home_early(analysis)
    root = drawn(analysis, plan, tension=tension_of(analysis, plan))
    assert len(having(root, "curve")) == 3
    assert len(having(root, "curve", "v")) == 2
    assert len([e for e in root.iter() if (e.get("fill") or "").startswith("url(#")]) == 2
    assert {"0", "13", "tension"} <= set(words(root))


@pytest.mark.parametrize("high", [1e-9, 0.4, 0.97, 1, 4, 8, 17, 23, 31])
def test_the_axis_of_tension_is_numbered_in_a_few_even_steps(high: float) -> None:
    steps = axis_steps(0.0, high)
    assert 1 <= len(steps) <= 4
    assert steps[0] == 0
    assert max(steps) <= high
    apart = {round(b - a, 9) for a, b in pairwise(steps)}
    assert len(apart) <= 1
    if high >= 4:
        assert len(steps) >= 2
        assert all(step == round(step) for step in steps)


@pytest.mark.parametrize("name", ["minor", "modal", "modulation", "6/8", "wide"])
def test_other_keys_modes_and_meters(name: str) -> None:
    analysis = five_sketches()[name]
    root = drawn(analysis, width=900)
    text = words(root)
    expected = {
        "minor": ("♯7", "i6", "Am/C"),
        "modal": ("VII", "IV"),
        "modulation": ("G major", "V7", "D7"),
        "6/8": ("I64", "C7"),
        "wide": ("♭VImaj7", "♯4"),
    }[name]
    for said in expected:
        assert said in text, (said, text)


def test_the_tonic_moves_with_the_key() -> None:
    analysis = five_sketches()["modulation"]
    homes = sorted(
        (float(e.get("x1", 0)), float(e.get("y1", 0)))
        for e in having(drawn(analysis, key=False), "home")
    )
    assert len(homes) == 2
    assert homes[1][0] > 500  # the second half lies in G
    assert homes[1][1] < homes[0][1]


def test_a_chord_that_the_band_leaves_stands_as_it_was_and_as_it_is() -> None:
    analysis = five_sketches()["6/8"]
    dominant = analysis.chords[6]
    plan = Plan(
        tuple(
            Edit(name, dominant.start_s, dominant.end_s, 500.0, "shift up")
            for name in ("bass", "harp")
        )
    )
    texts = [t.text for t in drawn(analysis, plan, width=2600, font=14).iter(NS + "text")]
    assert texts[texts.index("V →") + 1] == "I"
    assert texts[texts.index("C →") + 1] == "F"


def test_endings_follow_moved_harmony() -> None:
    """The dominant under an ending moved up a fourth, bass and harp together, is the tonic."""
    analysis = five_sketches()["6/8"]
    c7 = analysis.chords[6]
    stem = analysis.melody
    assert stem is not None
    end = stem.notes[-1]
    early = replace(end, chord=c7, chord_at_end=c7)
    moved = replace(
        analysis, stems={**analysis.stems, "vocal": replace(stem, notes=(*stem.notes[:-1], early))}
    )
    spans = [
        Edit(name, end.start_s, end.end_s, 500.0, "shift bass, harp up 5 semitones")
        for name in ("bass", "harp")
    ]
    after = phrase_endings(moved, Plan(tuple(spans)))[-1]
    assert (after.chord_after.roman, after.state_after) == ("I", "at rest")  # type: ignore[union-attr]
    assert after.words_after == "still at rest"
    alone = phrase_endings(moved, Plan((spans[0],)))[-1]
    assert alone.chord_after is None
    assert alone.words_after == "over a new sonority"
    note = Edit(
        "vocal", end.start_s, end.end_s, 200.0, "", note=end.index, to_name="G4", to_degree="2"
    )
    both = phrase_endings(moved, Plan((note, *spans)))[-1]
    assert (both.degree_after, both.state_after) == ("2", "open")
    assert "bass, harp +5" in words(drawn(moved, Plan(tuple(spans))))


def test_the_glide_is_re_aimed_without_a_step() -> None:
    analysis = lantern()
    stem = analysis.melody
    assert stem is not None
    plan = home_early(analysis)
    for mean in (False, True):
        notes = sung_notes(stem, plan.edits, tuning_hz=440.0, mean_vibrato=mean)
        moved = next(n for n in notes if n.is_moved)
        assert moved.new_lead is not None
        assert moved.new_body is not None
        before = notes[moved.note.index - 2]
        np.testing.assert_allclose(moved.new_lead[0], before.body[-1], atol=0.05)
        assert abs(moved.new_lead[-1, 1] - moved.new_body[0, 1]) < 0.5
        np.testing.assert_allclose(moved.new_body[:, 1], moved.body[:, 1] - 2.0)


def test_vibrato_is_drawn_as_its_mean_where_it_would_blot() -> None:
    stem = lantern().melody
    assert stem is not None
    swing = {}
    for mean in (False, True):
        notes = sung_notes(stem, (), tuning_hz=440.0, mean_vibrato=mean)
        held = max(notes, key=lambda n: len(n.body))
        middle = held.body[len(held.body) // 2 :, 1]
        swing[mean] = float(np.ptp(middle))
    assert swing[False] > 0.6
    assert swing[True] < 0.1


def test_simplifying_stays_within_its_tolerance() -> None:
    x = np.linspace(0, 6, 400)
    curve = np.column_stack([x, np.sin(3 * x)])
    fewer = simplified(curve, 0.01)
    assert len(fewer) < 100
    assert np.max(np.abs(np.interp(x, fewer[:, 0], fewer[:, 1]) - curve[:, 1])) < 0.01 * np.hypot(
        1, 3
    )


def test_the_axis_is_linear_in_bars_and_inverts() -> None:
    analysis = lantern()
    axis = time_axis(analysis, analysis.melody)
    for position in (-0.3, 0.0, 0.5, 7.25, 23.9):
        assert axis.position(axis.time_s(position)) == pytest.approx(position, abs=1e-9)
    assert axis.first == pytest.approx(-1 / 3)
    assert axis.last == 24


def test_everything_in_a_picture_is_escaped() -> None:
    nasty = '<b>&"'
    analysis = replace(lantern(n_phrases=2), title=nasty)
    root = drawn(analysis, replace(home_early(analysis), name=nasty), title=nasty)
    assert nasty in words(root)
    assert f"variant “{nasty}”" in words(root)


def test_a_standalone_picture_carries_its_type_and_a_page_picture_no_style() -> None:
    analysis = lantern(n_phrases=1)
    whole = lane_svg(analysis)
    assert whole.count("@font-face") == 3
    assert len(whole) < 130_000
    for theme, paper in (("light", "#ffffff"), ("dark", "#1d2b28"), ("grey", "#ffffff")):
        assert paper in lane_svg(analysis, view=View(theme=theme, embed_fonts=False))
    assert "<style" not in lane_svg(analysis, view=View(theme="page"))
    assert lane_svg(analysis) == whole
    with pytest.raises(UsageError, match='theme "sepia" does not exist'):
        lane_svg(analysis, view=View(theme="sepia"))
    with pytest.raises(UsageError, match="too narrow"):
        lane_svg(analysis, view=View(width=200, font=18))


def test_no_name_of_a_song_reaches_beyond_the_paper() -> None:
    root = drawn(lantern(), title="A headline of many words " * 6, width=700)
    width = 700
    for text in root.iter(f"{NS}text"):
        if "title" in (text.get("class") or ""):
            assert float(text.get("x", 0)) + text_width(text.text or "", 27, bold=True) <= width


@pytest.mark.parametrize(
    ("typed", "roman", "name"),
    [
        ("Bb/D", "I6", "B♭/D"),
        ("F:7/3", "V65", "F7/A"),
        ("viio7", "vii°7", "A°7"),
        ("Em7b5", "viiø7/V", "Em7♭5"),
        ("N.C.", "", "N.C."),
    ],
)
def test_chords_are_written_as_people_write_them(typed: str, roman: str, name: str) -> None:
    chord = parse_chord(typed, Key("Bb", "major"))
    assert roman_shown(chord) == roman
    assert chord_name(chord) == name


def test_a_suspension_is_joined_to_its_resolution_by_a_slur() -> None:
    analysis = lantern(n_phrases=1)
    stem = analysis.melody
    assert stem is not None
    held, goal = stem.notes[1], stem.notes[2]
    chord = analysis.chords[0]
    over = Over(held.start_s, held.end_s, chord, "suspension", 8, "4-3", goal.index)
    notes = tuple(replace(n, over=(over,)) if n is held else n for n in stem.notes)
    slurred = replace(analysis, stems={stem.name: replace(stem, notes=notes)})
    assert not having(drawn(analysis), "slur")
    assert len(having(drawn(slurred), "slur")) == 1
    assert not having(drawn(slurred, quiz=True), "slur")
    moved = Plan((Edit(stem.name, goal.start_s, goal.end_s, -200.0, "r", note=goal.index),))
    assert not having(drawn(slurred, moved), "slur")


def test_a_lane_is_called_as_it_is_spelled_in_its_system() -> None:
    """One key, two chromatic names: flat 6 in the first system, sharp 5 in the second."""
    analysis = lantern()
    stem = analysis.melody
    assert stem is not None
    flat, sharp = stem.notes[2], stem.notes[-3]
    names = {flat.index: ("Gb4", "b6"), sharp.index: ("F#4", "#5")}
    notes = tuple(
        replace(n, pitch_midi=66.0, name=names[n.index][0], degree=names[n.index][1])
        if n.index in names
        else n
        for n in stem.notes
    )
    root = drawn(replace(analysis, stems={stem.name: replace(stem, notes=notes)}), systems=2)
    assert {"♭6", "♯5"} <= set(words(root))


def test_a_slur_over_the_end_of_a_system_is_drawn_in_halves() -> None:
    analysis = lantern()
    stem = analysis.melody
    assert stem is not None
    chord = analysis.chords[0]
    notes = tuple(
        replace(n, over=(Over(n.start_s, n.end_s, chord, "suspension", 8, "4-3", after.index),))
        for n, after in pairwise(stem.notes)
    )
    slurred = replace(analysis, stems={stem.name: replace(stem, notes=(*notes, stem.notes[-1]))})
    one, many = (len(having(drawn(slurred, systems=count), "slur")) for count in (1, 3))
    assert one == len(notes)
    assert many == one + 2  # three systems, two breaks


def test_cadences_stand_at_the_end_of_the_brackets_as_far_as_there_is_room() -> None:
    analysis = lantern(n_phrases=2)
    stem = analysis.melody
    assert stem is not None
    phrases = tuple(replace(p, cadence="phrygian half") for p in stem.phrases)
    named = replace(analysis, stems={**analysis.stems, stem.name: replace(stem, phrases=phrases)})
    assert words(drawn(named, width=1280, font=16)).count("Phrygian half cadence") == 2
    assert words(drawn(named, width=420, font=18)).count("PHC") == 2
    assert "Phrygian half cadence" not in words(drawn(named, width=1280, font=16, quiz=True))
    for cadence in (None, "none"):
        phrases = tuple(replace(p, cadence=cadence) for p in stem.phrases)
        plain = {**analysis.stems, stem.name: replace(stem, phrases=phrases)}
        shown = words(drawn(replace(analysis, stems=plain), width=1280, font=16))
        assert not [word for word in shown if "cadence" in word]
    (told,) = [e.text or "" for e in drawn(named).iter(f"{NS}desc")]
    assert "open, Phrygian half cadence." in told


def test_chords_without_room_are_told_of() -> None:
    analysis = lantern(n_phrases=1)
    first = analysis.chords[0]
    step = (first.end_s - first.start_s) / 8
    crowd = tuple(
        replace(
            parse_chord(text, Key("Bb", "major")),
            start_s=first.start_s + k * step,
            end_s=first.start_s + (k + 1) * step,
        )
        for k, text in enumerate(["Fmaj7#11", "Am7b5/Eb"] * 4)
    )
    crowded = replace(analysis, chords=(*crowd, *analysis.chords[1:]))
    assert "…" in words(drawn(crowded, width=700, font=18))
    assert "…" not in words(drawn(analysis, width=700, font=18))


def test_colours_have_the_contrast_that_text_needs() -> None:
    """WCAG 2.1, 1.4.3: 4.5 to 1 for text, 3 to 1 for lines; relative luminance as defined there."""
    for theme in ("light", "dark", "grey"):
        style = lane_svg(lantern(n_phrases=1), view=View(theme=theme, embed_fonts=False))
        ink = dict(
            re.findall(r"\.lane (text|\.s|\.v|\.ground|\.lane)\{[^}]*?(#[0-9a-f]{6})", style)
        )
        paper = luminance(ink[".ground"])
        for kind, least in (("text", 4.5), (".s", 4.5), (".v", 4.5), (".lane", 3.0)):
            light, dark = sorted((luminance(ink[kind]), paper), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= least, (theme, kind)


def luminance(colour: str) -> float:
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_phrases_of_a_system_are_named_in_one_manner() -> None:
    song = lantern()
    stem = song.melody
    assert stem is not None
    cadences = ("imperfect authentic", "half", "deceptive", "half", None, "perfect authentic")
    phrases = tuple(
        replace(p, cadence=c, alike=a)
        for p, c, a in zip(stem.phrases, cadences, "abcdef", strict=True)
    )
    stems = {**song.stems, stem.name: replace(stem, phrases=phrases)}
    for width in (900.0, 1100.0, 1300.0, 1700.0, 2600.0):
        svg = lane_svg(replace(song, stems=stems), view=View(width=width, font=16, systems=1))
        labels = re.findall(r'<text class="i"[^>]*>([^<]*)<', svg)
        named = [words for words in re.findall(r">([^<>]+)</text>", svg) if words in WAYS]
        assert len({label.startswith("phrase") for label in labels}) == 1, (width, labels)
        assert all(label[-1] in "abcdef" for label in labels), (width, labels)
        assert len({WAYS[words] for words in named}) <= 1, (width, named)


WAYS = {
    **{f"{name} cadence": "whole" for name in ("imperfect authentic", "half", "deceptive")},
    **dict.fromkeys(("imperfect authentic", "half", "deceptive"), "brief"),
    **dict.fromkeys(("IAC", "HC", "DC"), "short"),
}
